package desktop

import (
	"testing"

	"github.com/godbus/dbus/v5"
	"github.com/google/go-cmp/cmp"
	"github.com/google/go-cmp/cmp/cmpopts"
)

func TestNotifyArguments(t *testing.T) {
	b := newBus(t)
	f := newServer(t, b, 0, "body")
	s := newSpeaker(t)
	mustSay(t, s, oneCopy)

	got, _ := f.last(t)
	want := said{
		App:     "Copyhold",
		Summary: `"2026-03-02 Tern Island" exists only once`,
		Body:    "212 files are on the working drive alone.\nPlug in a backup drive.",
		Actions: []string{},
		Hints: map[string]dbus.Variant{
			"urgency":       dbus.MakeVariant(byte(2)),
			"desktop-entry": dbus.MakeVariant("copyhold"),
			"category":      dbus.MakeVariant("device"),
		},
		Expire: 0,
	}
	if diff := cmp.Diff(want, got, cmp.AllowUnexported(dbus.Variant{}, dbus.Signature{})); diff != "" {
		t.Error(diff)
	}
	if got := f.seen().signatures[0].String(); got != "susssasa{sv}i" {
		t.Errorf("signature %s", got)
	}
}

func TestUrgencyAndExpiry(t *testing.T) {
	b := newBus(t)
	f := newServer(t, b, 0)
	s := newSpeaker(t)
	for _, c := range []struct {
		urgency Urgency
		hint    byte
		expire  int32
	}{{Low, 0, -1}, {Normal, 1, -1}, {Critical, 2, 0}} {
		mustSay(t, s, Message{Summary: "copied", Urgency: c.urgency})
		got, _ := f.last(t)
		if hint, ok := got.Hints["urgency"].Value().(byte); !ok || hint != c.hint {
			t.Errorf("urgency %d: hint %v", c.urgency, got.Hints["urgency"])
		}
		if got.Expire != c.expire {
			t.Errorf("urgency %d: expires %d", c.urgency, got.Expire)
		}
		if category, there := got.Hints["category"]; there {
			t.Errorf("category %v, none was set", category)
		}
	}
}

func TestText(t *testing.T) {
	hostile := "<b>A001</b> & \xff\x1b[2J\u202evom.\nsecond line"
	for _, c := range []struct {
		name string
		can  []string
		body string
	}{
		{"markup", []string{"body", "body-markup", "actions"}, "&lt;b&gt;A001&lt;/b&gt; &amp; \uFFFD[2Jvom.\nsecond line"},
		{"no markup", []string{"body"}, "<b>A001</b> & \uFFFD[2Jvom.\nsecond line"},
		{"nothing", nil, "<b>A001</b> & \uFFFD[2Jvom.\nsecond line"},
	} {
		t.Run(c.name, func(t *testing.T) {
			b := newBus(t)
			f := newServer(t, b, 0, c.can...)
			s := newSpeaker(t)
			mustSay(t, s, Message{Summary: hostile, Body: hostile, Category: "transfer\xff.error"})
			got, _ := f.last(t)
			if got.Body != c.body {
				t.Errorf("body %q, want %q", got.Body, c.body)
			}
			// A summary is never markup.
			if want := "<b>A001</b> & \uFFFD[2Jvom. second line"; got.Summary != want {
				t.Errorf("summary %q, want %q", got.Summary, want)
			}
			mustSay(t, s, Message{Summary: "\x00\n"})
			if got, _ := f.last(t); got.Summary != "Copyhold" {
				t.Errorf("empty summary became %q", got.Summary)
			}
			if f.seen().asked != 1 {
				t.Errorf("asked %d times for capabilities", f.seen().asked)
			}
		})
	}
}

func TestReplaceAndWithdraw(t *testing.T) {
	b := newBus(t)
	f := newServer(t, b, 6)
	s := newSpeaker(t)
	replaces := func(m Message) uint32 {
		t.Helper()
		mustSay(t, s, m)
		got, _ := f.last(t)
		return got.Replaces
	}
	shown := func(want ...uint32) {
		t.Helper()
		if diff := cmp.Diff(want, f.seen().shown, cmpopts.EquateEmpty()); diff != "" {
			t.Error(diff)
		}
	}
	withdraw := func(key string) {
		t.Helper()
		if err := s.Withdraw(t.Context(), key); err != nil {
			t.Errorf("withdraw %q: %v", key, err)
		}
	}

	withdraw("red") // before anything was said
	if got := replaces(Message{Key: "red", Summary: "212 to copy"}); got != 0 {
		t.Errorf("first message replaces %d", got)
	}
	if got := replaces(Message{Key: "slate", Summary: "full"}); got != 0 {
		t.Errorf("another key replaces %d", got)
	}
	if got := replaces(Message{Key: "red", Summary: "12 to copy"}); got != 7 {
		t.Errorf("second message replaces %d", got)
	}
	replaces(Message{Summary: "hello"})
	if got := replaces(Message{Summary: "hello"}); got != 0 {
		t.Errorf("message without a key replaces %d", got)
	}
	shown(7, 8, 9, 10)

	withdraw("red")
	shown(8, 9, 10)
	withdraw("red") // again
	withdraw("")
	shown(8, 9, 10)
	if got := replaces(Message{Key: "red", Summary: "all copied"}); got != 0 {
		t.Errorf("after withdrawal replaces %d", got)
	}

	f.CloseNotification(8) // the user dismissed it
	withdraw("slate")
}
