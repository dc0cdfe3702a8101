package api

import (
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net/http"
	"net/url"
	"time"
)

const (
	maxBody     = 64 << 10
	bodyTimeout = 10 * time.Second
)

// body reads a request that comes as JSON, and nothing but that.
func body[Q any](w http.ResponseWriter, r *http.Request) (Q, error) {
	var q Q
	if _, err := nothing(w, r); err != nil {
		return q, err
	}
	if err := decode(http.MaxBytesReader(w, r.Body, maxBody), &q); err != nil {
		return q, err
	}
	readBy(w, time.Time{}) // later it would look like the client leaving
	return q, nil
}

// limitBody is for every request that says it has a body, read or not:
// net/http waits for the rest of one before it ends the answer.
func limitBody(w http.ResponseWriter, r *http.Request) {
	if r.ContentLength != 0 {
		readBy(w, time.Now().Add(bodyTimeout))
	}
}

func readBy(w http.ResponseWriter, deadline time.Time) {
	http.NewResponseController(w).SetReadDeadline(deadline)
}

// decode refuses what it does not know: a client that is newer than the daemon
// must hear so instead of being half understood.
func decode(from io.Reader, into any) error {
	d := json.NewDecoder(from)
	d.DisallowUnknownFields()
	if err := d.Decode(into); err != nil {
		return notUnderstood(err)
	}
	if _, err := d.Token(); !errors.Is(err, io.EOF) {
		return notUnderstood(errors.New("more than one value"))
	}
	return nil
}

// query reads a question that is one parameter; without it the answer is "".
func query(name string) func(http.ResponseWriter, *http.Request) (string, error) {
	return func(_ http.ResponseWriter, r *http.Request) (string, error) {
		values, err := url.ParseQuery(r.URL.RawQuery)
		if err != nil {
			return "", notUnderstood(err)
		}
		for key, all := range values {
			if key != name || len(all) != 1 {
				return "", notUnderstood(fmt.Errorf("parameter %q", key))
			}
		}
		return values.Get(name), nil
	}
}

// nothing reads a question without parameters.
func nothing(_ http.ResponseWriter, r *http.Request) (struct{}, error) {
	if r.URL.RawQuery != "" {
		return struct{}{}, notUnderstood(errors.New("parameters where there are none"))
	}
	return struct{}{}, nil
}

func notUnderstood(err error) *Fault {
	return &Fault{What: fmt.Sprintf("the daemon did not understand the request: %v", err), Do: sameVersion, Misuse: true}
}

const sameVersion = "if Copyhold was updated, restart its service so that command and daemon are of one version"
