package api

import (
	"bytes"
	"context"
	"encoding/json"
	"io"
	"net/http"
	"net/url"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"github.com/google/go-cmp/cmp"
)

// TestSlowBody: half a request holds no handler for good, whether the body is
// wanted or not.
func TestSlowBody(t *testing.T) {
	for _, tt := range []struct{ row, status string }{
		{"POST /v1/pause", "400"},
		{"POST /v1/resume", "200"},
		{"GET /v1/drives", "200"},
		{"GET /v1/cards", "404"},
	} {
		t.Run(tt.row, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				p := newPipes()
				stop := start(t, p, fake{}, noLive)
				conn, _ := p.dial(t.Context())
				defer conn.Close()
				began := time.Now()
				io.WriteString(conn, tt.row+" HTTP/1.1\r\nHost: copyhold\r\nContent-Length: 10\r\n\r\n{")
				answer, _ := io.ReadAll(conn)
				took := time.Since(began)
				if took < bodyTimeout || took > 2*bodyTimeout || !strings.HasPrefix(string(answer), "HTTP/1.1 "+tt.status) {
					t.Errorf("after %v: %q", took, answer)
				}
				stop()
			})
		})
	}
}

// TestSlowOrder: a drive may take its time to spin up. The limit on reading the
// order does not make its client look gone.
func TestSlowOrder(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		spinUp := func(ctx context.Context) error {
			select {
			case <-time.After(orderTimeout - time.Second):
			case <-ctx.Done():
			}
			return ctx.Err()
		}
		p := newPipes()
		stop := start(t, p, fake{wait: spinUp}, noLive)
		if _, err := newClient(p.dial).AddDrive(t.Context(), AddDrive{Name: "Slate"}); err != nil {
			t.Error(err)
		}
		stop()
	})
}

// FuzzRequest sends anything anywhere. Every answer is JSON, and a refusal is a
// Fault that says what is wrong.
func FuzzRequest(f *testing.F) {
	f.Add("GET", "/v1/shoots", "pattern=Tern%20Island", "")
	f.Add("GET", "/v1/status", "", "")
	f.Add("GET", "/v1/live", "x", "")
	f.Add("POST", "/v1/drive/add", "", `{"path":"/media/Slate","name":"Slate","place":"home","separate":true}`)
	f.Add("POST", "/v1/drive/change", "", `{"drive":"Slate","retire":true}`)
	f.Add("POST", "/v1/pause", "", `{"seconds":9223372036854775808}`)
	f.Add("POST", "/v1/resume", "", `{`)
	f.Fuzz(func(t *testing.T, method, path, query, body string) {
		r := request("GET", "/", body)
		r.Method, r.URL = method, &url.URL{Path: path, RawQuery: query}
		if method == "GET" && path == "/v1/live" && query == "" {
			return // has no end
		}
		w := rawAsk(t, fake{}, r)
		if w.Code == http.StatusOK && json.Valid(w.Body.Bytes()) {
			return
		}
		var fault Fault
		if err := json.Unmarshal(w.Body.Bytes(), &fault); err != nil || fault.What == "" || !fault.Misuse {
			t.Errorf("%s %q?%q %q: %d %q", method, path, query, body, w.Code, w.Body)
		}
	})
}

// FuzzDecode: what is accepted says the same when it is sent again.
func FuzzDecode(f *testing.F) {
	f.Add([]byte(`{"path":"/media/Slate","name":"Slate","place":"home","separate":true}`))
	f.Add([]byte(`null`))
	f.Add([]byte(`{} {}`))
	f.Add([]byte(`{"name":"\ud800","NAME":"x"}`))
	f.Fuzz(func(t *testing.T, text []byte) {
		var first, second AddDrive
		if decode(bytes.NewReader(text), &first) != nil {
			return
		}
		again, err := json.Marshal(first)
		if err != nil {
			t.Fatal(err)
		}
		if err := decode(bytes.NewReader(again), &second); err != nil {
			t.Fatalf("%s: %v", again, err)
		}
		if diff := cmp.Diff(first, second); diff != "" {
			t.Errorf("%q (-first +second):\n%s", text, diff)
		}
	})
}
