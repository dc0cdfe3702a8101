//go:build !linux

package desktop

import (
	"errors"
	"testing"
)

func TestNoWayToSpeakYet(t *testing.T) {
	s := newSpeaker(t)
	if err := s.Say(t.Context(), oneCopy); !errors.Is(err, ErrNoDesktop) {
		t.Errorf("%v", err)
	}
}
