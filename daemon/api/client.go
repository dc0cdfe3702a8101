package api

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"iter"
	"net"
	"net/http"
	"net/url"
	"time"
)

// What Dial, and any question later, can meet instead of a daemon.
var (
	ErrNotRunning = errors.New("no daemon is running")
	ErrOtherUser  = errors.New("the daemon runs as another user")
)

const (
	dialTimeout     = 5 * time.Second
	questionTimeout = 30 * time.Second
	orderTimeout    = 2 * time.Minute // adopting a drive may wait for it to spin up
)

// Client asks the daemon. It is a Service; the errors that the daemon's own
// Service gave arrive as *Fault. Nothing of it has to be closed.
type Client struct {
	http *http.Client
}

var _ Service = (*Client)(nil)

// Dial finds the daemon of the state folder dir. The error is ErrNotRunning,
// ErrOtherUser or what else went wrong.
func Dial(dir string) (*Client, error) {
	_, path, err := locate(dir)
	if err != nil {
		return nil, err
	}
	conn, err := dialSocket(context.Background(), path)
	if err != nil {
		return nil, err
	}
	conn.Close()
	return newClient(func(ctx context.Context) (net.Conn, error) { return dialSocket(ctx, path) }), nil
}

// dialSocket connects, and tells apart what the caller must know.
func dialSocket(ctx context.Context, path string) (net.Conn, error) {
	d := net.Dialer{Timeout: dialTimeout}
	conn, err := d.DialContext(ctx, "unix", path)
	switch {
	case err == nil:
		return trusted(conn)
	case nobodyListens(err):
		return nil, fmt.Errorf("%w (%w)", ErrNotRunning, err)
	case keptOut(err):
		return nil, fmt.Errorf("%w (%w)", ErrOtherUser, err)
	}
	return nil, err
}

func trusted(conn net.Conn) (net.Conn, error) {
	if err := checkDaemon(conn); err != nil {
		conn.Close()
		return nil, err
	}
	return conn, nil
}

// newClient uses a connection for one question only: none is left open that
// would have to be closed, or that a restarted daemon does not know.
func newClient(dial func(context.Context) (net.Conn, error)) *Client {
	return &Client{http: &http.Client{Transport: &http.Transport{
		DialContext:       func(ctx context.Context, _, _ string) (net.Conn, error) { return dial(ctx) },
		DisableKeepAlives: true,
	}}}
}

func (c *Client) Status(ctx context.Context) (Status, error) {
	return ask[Status](ctx, c, "status", nil)
}

func (c *Client) Shoots(ctx context.Context, pattern string) (Shoots, error) {
	return ask[Shoots](ctx, c, "shoots", url.Values{"pattern": {pattern}})
}

func (c *Client) Shoot(ctx context.Context, name string) (ShootDetail, error) {
	return ask[ShootDetail](ctx, c, "shoot", url.Values{"name": {name}})
}

func (c *Client) Where(ctx context.Context, pattern string) (Where, error) {
	return ask[Where](ctx, c, "where", url.Values{"pattern": {pattern}})
}

func (c *Client) Explain(ctx context.Context, path string) (Explanation, error) {
	return ask[Explanation](ctx, c, "explain", url.Values{"path": {path}})
}

func (c *Client) Drives(ctx context.Context) (Drives, error) {
	return ask[Drives](ctx, c, "drives", nil)
}

func (c *Client) AddDrive(ctx context.Context, add AddDrive) (Drive, error) {
	return order[Drive](ctx, c, "drive/add", add)
}

func (c *Client) ChangeDrive(ctx context.Context, change ChangeDrive) (Drive, error) {
	return order[Drive](ctx, c, "drive/change", change)
}

func (c *Client) ReleaseDrive(ctx context.Context, release ReleaseDrive) (Drive, error) {
	return order[Drive](ctx, c, "drive/release", release)
}

func (c *Client) Pause(ctx context.Context, pause Pause) (Status, error) {
	return order[Status](ctx, c, "pause", pause)
}

func (c *Client) Resume(ctx context.Context) (Status, error) {
	return order[Status](ctx, c, "resume", struct{}{})
}

// Live yields the full status first, then every change. The loop ends without
// an error only when ctx ends or the caller leaves it; when the daemon goes, the
// last error says so, and Dial tells whether it is back.
func (c *Client) Live(ctx context.Context) iter.Seq2[Status, error] {
	return func(yield func(Status, error) bool) {
		err := c.follow(ctx, func(state Status) bool { return yield(state, nil) })
		if err != nil && ctx.Err() == nil {
			yield(Status{}, fmt.Errorf("follow the status: %w", err))
		}
	}
}

// follow gives on every state until one is not wanted any more.
func (c *Client) follow(ctx context.Context, wanted func(Status) bool) error {
	answer, err := c.send(ctx, http.MethodGet, "live", nil, nil)
	if err != nil {
		return err
	}
	defer answer.Close()
	for lines := json.NewDecoder(answer); ; {
		var state Status
		if err := lines.Decode(&state); errors.Is(err, io.EOF) {
			return io.ErrUnexpectedEOF
		} else if err != nil {
			return err
		}
		if !wanted(state) {
			return nil
		}
	}
}

// ask puts a question.
func ask[A any](ctx context.Context, c *Client, what string, q url.Values) (A, error) {
	return exchange[A](ctx, questionTimeout, func(ctx context.Context) (io.ReadCloser, error) {
		return c.send(ctx, http.MethodGet, what, q, nil)
	})
}

// order tells the daemon to do something.
func order[A any](ctx context.Context, c *Client, what string, argument any) (A, error) {
	return exchange[A](ctx, orderTimeout, func(ctx context.Context) (io.ReadCloser, error) {
		text, err := json.Marshal(argument)
		if err != nil {
			return nil, err
		}
		return c.send(ctx, http.MethodPost, what, nil, text)
	})
}

// exchange reads the answer to one request. Fields that it does not know come
// from a newer daemon and are left out.
func exchange[A any](ctx context.Context, patience time.Duration, send func(context.Context) (io.ReadCloser, error)) (a A, err error) {
	limited, cancel := context.WithTimeout(ctx, patience)
	defer cancel()
	answer, err := send(limited)
	if err == nil {
		defer answer.Close()
		err = read(answer, &a)
	}
	if err != nil && limited.Err() != nil && ctx.Err() == nil {
		err = fmt.Errorf("no answer from the daemon within %v: %w", patience, limited.Err())
	}
	return a, err
}

func read(answer io.Reader, into any) error {
	if err := json.NewDecoder(answer).Decode(into); err != nil {
		return fmt.Errorf("read the daemon's answer: %w", err)
	}
	return nil
}

// send makes one request. An answer that is not a good one is an error, the
// daemon's Fault if it gave one.
func (c *Client) send(ctx context.Context, method, what string, q url.Values, text []byte) (io.ReadCloser, error) {
	u := url.URL{Scheme: "http", Host: host, Path: "/v1/" + what, RawQuery: q.Encode()}
	r, err := http.NewRequestWithContext(ctx, method, u.String(), bytes.NewReader(text))
	if err != nil {
		return nil, err
	}
	answer, err := c.http.Do(r)
	if err != nil {
		return nil, withoutURL(err)
	}
	if answer.StatusCode == http.StatusOK {
		return answer.Body, nil
	}
	defer answer.Body.Close()
	return nil, faultOf(answer)
}

// withoutURL leaves out an address that means nothing to the person.
func withoutURL(err error) error {
	if u, ok := errors.AsType[*url.Error](err); ok {
		err = u.Err
	}
	return fmt.Errorf("ask the daemon: %w", err)
}

func faultOf(answer *http.Response) error {
	f := new(Fault)
	if err := json.NewDecoder(answer.Body).Decode(f); err != nil || f.What == "" {
		return fmt.Errorf("the daemon answered %q without a reason", answer.Status)
	}
	return f
}
