package api

import (
	"context"
	"encoding/json"
	"errors"
	"expvar"
	"fmt"
	"log/slog"
	"net"
	"net/http"
	"time"
)

// host is the only name that the daemon answers to. A web page that was led to
// the socket would send its own, and an Origin.
const host = "copyhold"

const (
	headerTimeout = 5 * time.Second
	writeTimeout  = orderTimeout + time.Minute // counted from the request, so it must outlast the longest answer
	idleTimeout   = 2 * time.Minute
	streamTimeout = 30 * time.Second // for one state to be taken by the client
	maxHeader     = 16 << 10

	finishWithin  = 3 * time.Second
	abandonWithin = 2 * time.Second
)

// server answers over HTTP what a Service knows.
type server struct {
	service  Service
	live     func() (<-chan Status, func())
	log      *slog.Logger
	caller   func(net.Conn) error // nil: welcome
	stopping <-chan struct{}
}

// Serve answers on l until ctx ends, then closes the socket, ends the streams and
// gives the questions under way a moment to finish. The lock of l stays held.
//
// live is called once for each stream: it returns a channel of states, newest
// last, and a function that is called when the stream ends. A closed channel
// ends the stream. The stream begins with the answer of s.Status.
func Serve(ctx context.Context, l *Listener, s Service, live func() (<-chan Status, func()), log *slog.Logger) error {
	sv := &server{service: s, live: live, log: log, caller: checkCaller}
	return sv.serve(ctx, l.socket)
}

func (sv *server) serve(ctx context.Context, socket net.Listener) error {
	stopping, stop := context.WithCancel(ctx)
	defer stop()
	asking, abandon := context.WithCancel(context.WithoutCancel(ctx))
	defer abandon()
	sv.stopping = stopping.Done()
	srv := sv.http(asking)
	ended := make(chan error, 1)
	go func() {
		ended <- srv.Serve(socket)
		stop()
	}()
	<-stopping.Done()
	wind(srv, abandon)
	if err := <-ended; !errors.Is(err, http.ErrServerClosed) {
		return fmt.Errorf("serve the control socket: %w", err)
	}
	return nil
}

// wind lets the answers under way finish, then tells them to give up, then cuts
// them off.
func wind(srv *http.Server, abandon func()) {
	if within(finishWithin, srv.Shutdown) {
		return
	}
	abandon()
	if !within(abandonWithin, srv.Shutdown) {
		srv.Close()
	}
}

func within(d time.Duration, shutdown func(context.Context) error) bool {
	ctx, cancel := context.WithTimeout(context.Background(), d)
	defer cancel()
	return !errors.Is(shutdown(ctx), context.DeadlineExceeded)
}

// http has no ReadTimeout: once it has passed, net/http takes the client of a
// stream for gone. limitBody stands in for it.
func (sv *server) http(asking context.Context) *http.Server {
	return &http.Server{
		Handler:                      sv.guard(sv.handler()),
		BaseContext:                  func(net.Listener) context.Context { return asking },
		ConnContext:                  sv.meet,
		ReadHeaderTimeout:            headerTimeout,
		WriteTimeout:                 writeTimeout,
		IdleTimeout:                  idleTimeout,
		MaxHeaderBytes:               maxHeader,
		DisableGeneralOptionsHandler: true,
		ErrorLog:                     slog.NewLogLogger(sv.log.Handler(), slog.LevelWarn),
	}
}

// question is one row of the table: it reads a request and answers it.
type question func(http.ResponseWriter, *http.Request) (any, error)

func questions(s Service) map[string]question {
	return map[string]question{
		"GET /v1/status":  answer(nothing, plain(s.Status)),
		"GET /v1/shoots":  answer(query("pattern"), s.Shoots),
		"GET /v1/shoot":   answer(query("name"), s.Shoot),
		"GET /v1/where":   answer(query("pattern"), s.Where),
		"GET /v1/explain": answer(query("path"), s.Explain),
		"GET /v1/drives":  answer(nothing, plain(s.Drives)),

		"POST /v1/drive/add":     answer(body, s.AddDrive),
		"POST /v1/drive/change":  answer(body, s.ChangeDrive),
		"POST /v1/drive/release": answer(body, s.ReleaseDrive),
		"POST /v1/pause":         answer(body, s.Pause),
		"POST /v1/resume":        answer(nothing, plain(s.Resume)),
	}
}

// answer makes a question of one method of Service and of how its argument is read.
func answer[Q, A any](read func(http.ResponseWriter, *http.Request) (Q, error), ask func(context.Context, Q) (A, error)) question {
	return func(w http.ResponseWriter, r *http.Request) (any, error) {
		q, err := read(w, r)
		if err != nil {
			return nil, err
		}
		return ask(r.Context(), q)
	}
}

// plain fits a method without an argument.
func plain[A any](ask func(context.Context) (A, error)) func(context.Context, struct{}) (A, error) {
	return func(ctx context.Context, _ struct{}) (A, error) { return ask(ctx) }
}

// handler finds the row by method and path as they were sent: nothing is
// cleaned, guessed or redirected, as http.ServeMux would do.
func (sv *server) handler() http.Handler {
	table := map[string]http.HandlerFunc{
		"GET /v1/live":    sv.stream,
		"GET /v1/metrics": expvar.Handler().ServeHTTP,
	}
	for row, q := range questions(sv.service) {
		table[row] = sv.reply(q)
	}
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		if h, ok := table[r.Method+" "+r.URL.Path]; ok {
			h(w, r)
			return
		}
		write(w, http.StatusNotFound, &Fault{What: "the daemon does not know this question: " + r.Method + " " + r.URL.Path, Do: sameVersion, Misuse: true})
	})
}

type callerKey struct{}

// meet finds out who is calling, once for each connection.
func (sv *server) meet(ctx context.Context, c net.Conn) context.Context {
	if sv.caller == nil {
		return ctx
	}
	err := sv.caller(c)
	if err != nil {
		sv.log.Warn("refused a caller", "why", err)
	}
	return context.WithValue(ctx, callerKey{}, err)
}

// guard lets only our own requests in.
func (sv *server) guard(next http.Handler) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		limitBody(w, r)
		if why := refusal(r); why != "" {
			write(w, http.StatusForbidden, &Fault{What: "the daemon refused the request: " + why, Misuse: true})
			return
		}
		next.ServeHTTP(w, r)
	})
}

func refusal(r *http.Request) string {
	_, fromPage := r.Header["Origin"]
	switch {
	case r.Context().Value(callerKey{}) != nil:
		return "it serves another user"
	case fromPage:
		return "it comes from a web page"
	case r.Host != host:
		return "it is not addressed to Copyhold"
	}
	return ""
}

func (sv *server) reply(q question) http.HandlerFunc {
	return func(w http.ResponseWriter, r *http.Request) {
		a, err := q(w, r)
		if err != nil {
			sv.fail(w, err)
			return
		}
		write(w, http.StatusOK, a)
	}
}

// fail answers with a Fault. An error that nobody has put into words for the
// person is one that we did not expect: it goes to the log as well.
func (sv *server) fail(w http.ResponseWriter, err error) {
	f, ok := errors.AsType[*Fault](err)
	if !ok {
		f = &Fault{What: err.Error()}
		sv.log.Warn("could not answer", "err", err)
	}
	status := http.StatusInternalServerError
	if f.Misuse {
		status = http.StatusBadRequest
	}
	write(w, status, f)
}

func write(w http.ResponseWriter, status int, a any) {
	text, err := json.Marshal(a)
	if err != nil {
		status = http.StatusInternalServerError
		text, _ = json.Marshal(&Fault{What: fmt.Sprintf("the answer cannot be written as JSON: %v", err)})
	}
	w.Header().Set("Content-Type", "application/json")
	w.WriteHeader(status)
	w.Write(append(text, '\n')) // a client that has left does not miss it
}
