package api

import (
	"context"
	"errors"
	"io"
	"net"
	"net/http"
	"strings"
	"testing"
	"testing/synctest"
	"time"
)

func TestNoAnswer(t *testing.T) {
	for _, tt := range []struct {
		name     string
		ask      func(context.Context, *Client) error
		patience time.Duration
	}{
		{"question", func(ctx context.Context, c *Client) error { _, err := c.Status(ctx); return err }, questionTimeout},
		{"order", func(ctx context.Context, c *Client) error { _, err := c.AddDrive(ctx, AddDrive{}); return err }, orderTimeout},
	} {
		t.Run(tt.name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				start := time.Now()
				err := tt.ask(t.Context(), silent())
				if took := time.Since(start); took != tt.patience || !errors.Is(err, context.DeadlineExceeded) {
					t.Errorf("after %v: %v", took, err)
				}
			})
		})
	}
}

func TestCallerGivesUp(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		ctx, cancel := context.WithTimeoutCause(t.Context(), time.Second, errors.New("enough"))
		defer cancel()
		_, err := silent().Status(ctx)
		if err == nil || strings.Contains(err.Error(), "no answer from the daemon") {
			t.Errorf("Status: %v", err)
		}
	})
}

// silent is a client of a daemon that takes every request and answers none.
func silent() *Client {
	return newClient(func(context.Context) (net.Conn, error) {
		near, far := net.Pipe()
		go io.Copy(io.Discard, far)
		return near, nil
	})
}

// TestAnswerThatBreaksOff is about a daemon that is killed while it answers.
func TestAnswerThatBreaksOff(t *testing.T) {
	for name, answer := range map[string]string{
		"nothing":       "",
		"half a head":   "HTTP/1.1 200 OK\r\nContent-",
		"half a body":   "HTTP/1.1 200 OK\r\nContent-Length: 100\r\n\r\n{\"schema\":1,",
		"half a fault":  "HTTP/1.1 500 Internal Server Error\r\nContent-Length: 100\r\n\r\n{\"what\":\"",
		"foreign fault": "HTTP/1.1 500 Internal Server Error\r\nContent-Length: 2\r\n\r\n{}",
	} {
		t.Run(name, func(t *testing.T) {
			c := newClient(func(context.Context) (net.Conn, error) { return saying(answer), nil })
			_, err := c.Drives(t.Context())
			if _, fault := errors.AsType[*Fault](err); err == nil || fault {
				t.Errorf("Drives: %v", err)
			}
			for _, err := range c.Live(t.Context()) {
				if err == nil {
					t.Error("Live yielded a state")
				}
			}
		})
	}
}

// saying is a connection on which a request is answered with text, and closed.
func saying(text string) net.Conn {
	near, far := net.Pipe()
	go func() {
		defer far.Close()
		far.Read(make([]byte, 4<<10))
		io.WriteString(far, text)
	}()
	return near
}

func TestNewerDaemonIsUnderstood(t *testing.T) {
	const answer = `{"schema":2,"tides":[],"drives":[{"name":"Slate","colour":"grey"}]}`
	c := &Client{http: &http.Client{Transport: tripper(answer)}}
	got, err := c.Drives(t.Context())
	if err != nil || got.Schema != 2 || got.Drives[0].Name != "Slate" {
		t.Errorf("Drives = %+v, %v", got, err)
	}
}

type tripper string

func (body tripper) RoundTrip(*http.Request) (*http.Response, error) {
	return &http.Response{StatusCode: http.StatusOK, Body: io.NopCloser(strings.NewReader(string(body)))}, nil
}
