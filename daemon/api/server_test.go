package api

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net"
	"net/http"
	"net/http/httptest"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"github.com/google/go-cmp/cmp"
	"go.uber.org/goleak"
)

// exchanges is every question and order, with arguments that need care on the way.
var exchanges = []struct {
	name string
	ask  func(ctx context.Context, s Service) (any, error)
}{
	{"status", func(ctx context.Context, s Service) (any, error) { return s.Status(ctx) }},
	{"shoots", func(ctx context.Context, s Service) (any, error) { return s.Shoots(ctx, "2026-03-* Tern?&x=1") }},
	{"shoots, no pattern", func(ctx context.Context, s Service) (any, error) { return s.Shoots(ctx, "") }},
	{"shoot", func(ctx context.Context, s Service) (any, error) {
		return s.Shoot(ctx, "2026-03-02 Tern Island + Übung %41;#")
	}},
	{"where", func(ctx context.Context, s Service) (any, error) { return s.Where(ctx, "**/A001\n.raw") }},
	{"explain", func(ctx context.Context, s Service) (any, error) {
		return s.Explain(ctx, `/work/Shoots/a b\c/"d".mov`)
	}},
	{"drives", func(ctx context.Context, s Service) (any, error) { return s.Drives(ctx) }},
	{"add drive", func(ctx context.Context, s Service) (any, error) {
		return s.AddDrive(ctx, AddDrive{Path: "/media/Slate", Name: "Slate <1>", Place: "home", Separate: true})
	}},
	{"change drive", func(ctx context.Context, s Service) (any, error) {
		return s.ChangeDrive(ctx, ChangeDrive{Drive: "Slate", Name: "Grey", Place: "off-site", Retire: true})
	}},
	{"release drive", func(ctx context.Context, s Service) (any, error) {
		return s.ReleaseDrive(ctx, ReleaseDrive{Drive: "Slate", Unmount: true})
	}},
	{"pause", func(ctx context.Context, s Service) (any, error) { return s.Pause(ctx, Pause{Seconds: 90}) }},
	{"resume", func(ctx context.Context, s Service) (any, error) { return s.Resume(ctx) }},
}

func TestRoundTrip(t *testing.T) {
	dir := stateDir(t)
	serve(t, dir, fake{}, noLive)
	if _, err := dial(t, dir).Drives(t.Context()); err != nil { // the daemon is up
		t.Fatal(err)
	}
	client := dial(t, dir)
	defer goleak.VerifyNone(t, goleak.IgnoreCurrent()) // nothing of the client has to be closed
	for _, tt := range exchanges {
		t.Run(tt.name, func(t *testing.T) {
			want, _ := tt.ask(t.Context(), fake{})
			got, err := tt.ask(t.Context(), client)
			if err != nil {
				t.Fatal(err)
			}
			if diff := cmp.Diff(want, got); diff != "" {
				t.Errorf("over the socket (-asked directly +got):\n%s", diff)
			}
		})
	}
}

func TestFaultRoundTrip(t *testing.T) {
	full := &Fault{What: `the drive "Slate" is full`, Safe: "finished copies are kept", Do: "make room"}
	misuse := &Fault{What: "no such place: moon", Misuse: true}
	for _, tt := range []struct {
		name string
		give error
		want *Fault
	}{
		{"fault", full, full},
		{"misuse", misuse, misuse},
		{"wrapped fault", fmt.Errorf("add: %w", full), full},
		{"other error", errors.New("read ledger: bad page"), &Fault{What: "read ledger: bad page"}},
	} {
		t.Run(tt.name, func(t *testing.T) {
			dir := stateDir(t)
			serve(t, dir, fake{err: tt.give}, noLive)
			client := dial(t, dir)
			for _, e := range exchanges {
				_, err := e.ask(t.Context(), client)
				if got, _ := errors.AsType[*Fault](err); !cmp.Equal(got, tt.want) {
					t.Errorf("%s: %v, want %+v", e.name, err, tt.want)
				}
			}
			for _, err := range client.Live(t.Context()) {
				if got, _ := errors.AsType[*Fault](err); !cmp.Equal(got, tt.want) {
					t.Errorf("live: %v, want %+v", err, tt.want)
				}
			}
		})
	}
}

// rawAsk sends a request to a handler that nobody has called on.
func rawAsk(t *testing.T, s Service, r *http.Request) *httptest.ResponseRecorder {
	t.Helper()
	sv := &server{service: s, live: noLive, log: quiet(t)}
	w := httptest.NewRecorder()
	sv.guard(sv.handler()).ServeHTTP(w, r)
	return w
}

func request(method, target, body string) *http.Request {
	r := httptest.NewRequest(method, target, strings.NewReader(body))
	r.Host = host
	return r
}

func TestRefusedRequests(t *testing.T) {
	for _, tt := range []struct {
		name, method, target, body string
		status                     int
		what                       string
	}{
		{"unknown field", "POST", "/v1/pause", `{"seconds":1,"hours":2}`, 400, `unknown field "hours"`},
		{"two values", "POST", "/v1/pause", `{"seconds":1}{}`, 400, "more than one value"},
		{"wrong type", "POST", "/v1/pause", `{"seconds":"1"}`, 400, "cannot unmarshal"},
		{"no body", "POST", "/v1/pause", ``, 400, "EOF"},
		{"too large", "POST", "/v1/drive/add", `{"name":"` + strings.Repeat("x", maxBody) + `"}`, 400, "too large"},
		{"parameter of an order", "POST", "/v1/pause?seconds=1", `{}`, 400, "parameters"},
		{"unknown parameter", "GET", "/v1/shoots?name=x", ``, 400, `parameter "name"`},
		{"parameter twice", "GET", "/v1/shoots?pattern=x&pattern=y", ``, 400, `parameter "pattern"`},
		{"bad escape", "GET", "/v1/shoot?name=%zz", ``, 400, "invalid URL escape"},
		{"parameter of status", "GET", "/v1/status?x", ``, 400, "parameters"},
		{"parameter of live", "GET", "/v1/live?x", ``, 400, "parameters"},
		{"wrong method", "GET", "/v1/pause", ``, 404, "GET /v1/pause"},
		{"no such question", "GET", "/v1/cards", ``, 404, "GET /v1/cards"},
		{"unclean path", "GET", "/v1//status", ``, 404, "/v1//status"},
	} {
		t.Run(tt.name, func(t *testing.T) {
			checkRefusal(t, rawAsk(t, fake{}, request(tt.method, tt.target, tt.body)), tt.status, tt.what)
		})
	}
}

func checkRefusal(t *testing.T, w *httptest.ResponseRecorder, status int, what string) {
	t.Helper()
	var f Fault
	if err := json.Unmarshal(w.Body.Bytes(), &f); err != nil {
		t.Fatalf("%q: %v", w.Body, err)
	}
	if w.Code != status || !f.Misuse || !strings.Contains(f.What, what) {
		t.Errorf("answered %d %+v, want %d and %q", w.Code, f, status, what)
	}
}

// TestForeignRequests speaks HTTP by hand, as a web page's or a proxy's would come in.
func TestForeignRequests(t *testing.T) {
	dir := stateDir(t)
	d := serve(t, dir, fake{}, noLive)
	for _, tt := range []struct {
		name, head string
		status     string
	}{
		{"our own", "Host: copyhold\r\n", "200 OK"},
		{"origin", "Host: copyhold\r\nOrigin: http://tern.example\r\n", "403 Forbidden"},
		{"empty origin", "Host: copyhold\r\nOrigin:\r\n", "403 Forbidden"},
		{"other host", "Host: localhost\r\n", "403 Forbidden"},
		{"host with port", "Host: copyhold:80\r\n", "403 Forbidden"},
		{"no host", "", "400 Bad Request: missing required Host header"},
		{"huge header", "Host: copyhold\r\nX: " + strings.Repeat("x", 64<<10) + "\r\n", "431 Request Header Fields Too Large"},
	} {
		t.Run(tt.name, func(t *testing.T) {
			conn, err := net.Dial("unix", d.Path())
			if err != nil {
				t.Fatal(err)
			}
			defer conn.Close()
			fmt.Fprintf(conn, "GET /v1/drives HTTP/1.1\r\n%sConnection: close\r\n\r\n", tt.head)
			answer, _ := io.ReadAll(conn)
			if status, _, _ := strings.Cut(string(answer), "\r\n"); status != "HTTP/1.1 "+tt.status {
				t.Errorf("answered %q, want %q", status, tt.status)
			}
		})
	}
}

func TestMetrics(t *testing.T) {
	w := rawAsk(t, fake{}, request("GET", "/v1/metrics", ""))
	if w.Code != http.StatusOK || !json.Valid(w.Body.Bytes()) || !strings.Contains(w.Body.String(), "memstats") {
		t.Errorf("answered %d %q", w.Code, w.Body)
	}
}

func TestAnswerThatIsNoJSON(t *testing.T) {
	w := httptest.NewRecorder()
	write(w, http.StatusOK, time.Date(10_000, 1, 1, 0, 0, 0, 0, time.UTC))
	if w.Code != http.StatusInternalServerError || !strings.Contains(w.Body.String(), "JSON") {
		t.Errorf("answered %d %q", w.Code, w.Body)
	}
}

// pipes is a listener without a system underneath, for tests with a clock of their own.
type pipes struct {
	calls  chan net.Conn
	closed chan struct{}
}

func newPipes() pipes { return pipes{make(chan net.Conn), make(chan struct{})} }

func (p pipes) Close() error   { close(p.closed); return nil }
func (p pipes) Addr() net.Addr { return &net.UnixAddr{Name: "pipe", Net: "unix"} }

func (p pipes) Accept() (net.Conn, error) {
	select {
	case c := <-p.calls:
		return c, nil
	case <-p.closed:
		return nil, net.ErrClosed
	}
}

func (p pipes) dial(context.Context) (net.Conn, error) {
	near, far := net.Pipe()
	select {
	case p.calls <- far:
		return near, nil
	case <-p.closed:
		return nil, ErrNotRunning
	}
}

// TestStopping shows how long a stop takes while a question is under way, and
// what becomes of the question.
func TestStopping(t *testing.T) {
	deaf := func(d time.Duration) func(context.Context) error {
		return func(context.Context) error { time.Sleep(d); return nil }
	}
	for _, tt := range []struct {
		name     string
		wait     func(context.Context) error
		most     time.Duration
		answered bool
	}{
		{"quick", deaf(finishWithin / 2), finishWithin, true},
		{"gives up when told", func(ctx context.Context) error { <-ctx.Done(); return ctx.Err() }, finishWithin + abandonWithin/2, false},
		{"does not listen", deaf(time.Minute), finishWithin + abandonWithin, false},
	} {
		t.Run(tt.name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				p := newPipes()
				sv := &server{service: fake{wait: tt.wait}, live: noLive, log: quiet(t)}
				ctx, stop := context.WithCancel(t.Context())
				ended, asked := make(chan error, 1), make(chan error)
				go func() { ended <- sv.serve(ctx, p) }()
				go func() { _, err := newClient(p.dial).Drives(t.Context()); asked <- err }()
				synctest.Wait()
				start := time.Now()
				stop()
				if err := <-asked; (err == nil) != tt.answered {
					t.Errorf("the question under way: %v", err)
				}
				if err := <-ended; err != nil {
					t.Errorf("serve: %v", err)
				}
				if took := time.Since(start); took > tt.most {
					t.Errorf("stopping took %v", took)
				}
				time.Sleep(time.Minute) // a handler that does not listen ends some time
			})
		})
	}
}

func TestServeTellsWhyItCannot(t *testing.T) {
	p := newPipes()
	p.Close()
	sv := &server{service: fake{}, live: noLive, log: quiet(t)}
	if err := sv.serve(t.Context(), brokenSocket{p}); !errors.Is(err, net.ErrClosed) {
		t.Errorf("serve: %v", err)
	}
}

// brokenSocket is closed already and may be closed again.
type brokenSocket struct{ pipes }

func (brokenSocket) Close() error { return nil }
