package api

import (
	"encoding/json"
	"net/http"
	"time"
)

// stream sends the full status, then every change, one line each. It subscribes
// before it asks, so that nothing falls between the two.
func (sv *server) stream(w http.ResponseWriter, r *http.Request) {
	if _, err := nothing(w, r); err != nil {
		sv.fail(w, err)
		return
	}
	changes, leave := sv.live()
	defer leave()
	state, err := sv.service.Status(r.Context())
	if err != nil {
		sv.fail(w, err)
		return
	}
	w.Header().Set("Content-Type", "application/x-ndjson")
	for ok := true; ok && send(w, state) == nil; {
		state, ok = sv.next(r, changes)
	}
}

// next waits for a change. It is false when the client has left, the daemon
// stops or there will be no more.
func (sv *server) next(r *http.Request, changes <-chan Status) (Status, bool) {
	select {
	case state, ok := <-changes:
		return state, ok
	case <-r.Context().Done():
	case <-sv.stopping:
	}
	return Status{}, false
}

// send writes one line at once. A client that does not take it in time is cut off.
func send(w http.ResponseWriter, state Status) error {
	line := http.NewResponseController(w)
	if err := line.SetWriteDeadline(time.Now().Add(streamTimeout)); err != nil {
		return err
	}
	if err := json.NewEncoder(w).Encode(state); err != nil {
		return err
	}
	return line.Flush()
}
