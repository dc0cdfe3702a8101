package desktop

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"slices"

	"github.com/godbus/dbus/v5"
)

// Desktop Notifications Specification 1.2, "D-BUS Protocol":
// https://specifications.freedesktop.org/notification-spec/latest/protocol.html
const (
	serverName = "org.freedesktop.Notifications"
	serverPath = "/org/freedesktop/Notifications"
)

// The bus's own words for a name that nobody has, or has no more. D-Bus Specification, "Message Bus Messages".
const (
	nobodyHasName    = "org.freedesktop.DBus.Error.NameHasNoOwner"
	nobodyReceives   = "org.freedesktop.DBus.Error.ServiceUnknown"
	leftBeforeAnswer = "org.freedesktop.DBus.Error.NoReply"
)

// voice speaks to the notification server of the session bus.
//
// The server is addressed by the unique name of its connection, which no other connection to the same bus ever gets.
// So what was learnt about one server is never applied to the next: a server that takes over knows none of our ids,
// and may have given the same numbers to the messages of others.
type voice struct {
	log *slog.Logger

	conn   *dbus.Conn        // nil before the first message and after hangUp
	server string            // unique name of the server that the fields below are about; "" when none is known
	markup bool              // the server reads the body as markup
	ids    map[string]uint32 // the server's ids of our messages, by key
}

// say shows m. When the bus or the server turns out to have left since the last message, it starts over once.
func (v *voice) say(ctx context.Context, m Message) error {
	err := v.trySay(ctx, m)
	if leftMeanwhile(err) && ctx.Err() == nil {
		v.log.Debug("notification server or session bus went away", "err", err)
		v.dropDeadLine(err)
		err = v.trySay(ctx, m)
	}
	return err
}

func (v *voice) trySay(ctx context.Context, m Message) error {
	if err := v.connect(ctx); err != nil {
		return err
	}
	if err := v.findServer(ctx); err != nil {
		return err
	}
	var id uint32
	err := v.call(ctx, "Notify", notifyArgs(m, v.ids[m.Key], v.markup)...).Store(&id)
	if err == nil && m.Key != "" {
		v.ids[m.Key] = id
	}
	return err
}

// notifyArgs returns the arguments of Notify for m. Without an application icon and a `value` hint: the desktop entry
// brings the icon, and at least one server shows a bar instead of the text when there is a value.
func notifyArgs(m Message, replaces uint32, markup bool) []any {
	summary := cleanLine(m.Summary, summaryLimit)
	if summary == "" {
		summary = "Copyhold" // a summary is required
	}
	body := cleanText(m.Body, bodyLimit)
	if markup {
		body = markupEscaper.Replace(body)
	}
	hints := map[string]dbus.Variant{
		"urgency":       dbus.MakeVariant(byte(m.Urgency)),
		"desktop-entry": dbus.MakeVariant("copyhold"),
	}
	if category := cleanLine(m.Category, summaryLimit); category != "" {
		hints["category"] = dbus.MakeVariant(category)
	}
	expire := int32(-1) // as the server likes
	if m.Urgency == Critical {
		expire = 0 // never; some servers let even critical messages expire otherwise
	}
	return []any{"Copyhold", replaces, "", summary, body, []string{}, hints, expire}
}

// withdraw closes the message of that key. What was shown went with its server, so nothing is left to do when that
// or the bus has gone.
func (v *voice) withdraw(ctx context.Context, key string) error {
	id, shown := v.ids[key]
	if !shown {
		return nil
	}
	err := v.call(ctx, "CloseNotification", id).Err
	if err != nil && ctx.Err() != nil {
		return err // it may still be there
	}
	if err != nil {
		v.log.Debug("notification was gone already", "err", err)
		v.dropDeadLine(err)
	}
	delete(v.ids, key)
	return nil
}

// call calls a method of the server that findServer found.
func (v *voice) call(ctx context.Context, method string, args ...any) *dbus.Call {
	return v.conn.Object(v.server, serverPath).CallWithContext(ctx, serverName+"."+method, 0, args...)
}

// connect makes sure of a connection that was alive when it was last heard of.
func (v *voice) connect(ctx context.Context) error {
	if v.conn != nil && v.conn.Connected() {
		return nil
	}
	v.hangUp()
	conn, err := dial(ctx)
	if err != nil {
		return fmt.Errorf("%w (%w)", ErrNoDesktop, err)
	}
	if err := greet(ctx, conn); err != nil {
		return fmt.Errorf("greet the session bus: %w", err)
	}
	v.conn = conn
	return nil
}

// hangUp disconnects and forgets the server: on another bus, or the same one restarted, unique names begin anew.
func (v *voice) hangUp() {
	if v.conn != nil {
		v.conn.Close()
	}
	*v = voice{log: v.log}
}

// findServer makes sure that the fields of v are about the server that has the name now.
func (v *voice) findServer(ctx context.Context) error {
	owner, err := v.owner(ctx)
	if err != nil || owner == v.server {
		return err
	}
	v.server, v.ids = owner, map[string]uint32{}
	var can []string
	if err := v.call(ctx, "GetCapabilities").Store(&can); err != nil {
		v.server = "" // ask again next time
		return err
	}
	v.markup = slices.Contains(can, "body-markup")
	v.log.Debug("found a notification server", "can", can)
	return nil
}

// owner returns the unique name of the server. The bus starts one if it knows how to: several desktops start theirs
// only when the first message comes.
func (v *voice) owner(ctx context.Context) (string, error) {
	owner, err := v.askOwner(ctx)
	if !isReply(err, nobodyHasName) {
		return owner, err
	}
	err = v.conn.BusObject().CallWithContext(ctx, "org.freedesktop.DBus.StartServiceByName", 0, serverName, uint32(0)).Err
	if err == nil {
		owner, err = v.askOwner(ctx)
	}
	if isReply(err) {
		return "", fmt.Errorf("%w (%w)", ErrNoServer, err)
	}
	return owner, err
}

// askOwner asks the bus itself. A bus that does not answer hangs, and what is written to it piles up until writing
// blocks, which no context ends: so the connection is given up.
func (v *voice) askOwner(ctx context.Context) (owner string, err error) {
	err = v.conn.BusObject().CallWithContext(ctx, "org.freedesktop.DBus.GetNameOwner", 0, serverName).Store(&owner)
	if ctx.Err() != nil {
		v.hangUp()
	}
	return owner, err
}

// leftMeanwhile reports whether err shows that the bus or the server went away since we last heard of it.
func leftMeanwhile(err error) bool {
	switch {
	case err == nil, errors.Is(err, ErrNoDesktop), errors.Is(err, ErrNoServer):
		return false
	case isReply(err):
		return isReply(err, nobodyHasName, nobodyReceives, leftBeforeAnswer)
	default:
		return true // the connection broke
	}
}

// dropDeadLine hangs up when err is not an answer that came over the connection.
func (v *voice) dropDeadLine(err error) {
	if !isReply(err) {
		v.hangUp()
	}
}

// isReply reports whether err is an error that the bus or the server replied with, and one of these names if any are given.
func isReply(err error, names ...string) bool {
	var reply dbus.Error
	return errors.As(err, &reply) && (len(names) == 0 || slices.Contains(names, reply.Name))
}

// dial connects to the session bus if there is one; it must not be the library's usual way, which starts a bus that
// nobody watches. The library's dial takes no context, so it is left behind when ctx ends. Only an address on another
// machine can keep it: a local socket takes or refuses a connection at once.
func dial(ctx context.Context) (*dbus.Conn, error) {
	type answer struct {
		conn *dbus.Conn
		err  error
	}
	answers := make(chan answer)
	go func() {
		conn, err := dbus.SessionBusPrivateNoAutoStartup()
		select {
		case answers <- answer{conn, err}:
		case <-ctx.Done():
			if err == nil {
				conn.Close()
			}
		}
	}()
	select {
	case a := <-answers:
		return a.conn, a.err
	case <-ctx.Done():
		return nil, ctx.Err()
	}
}

// greet authenticates conn and joins the bus, or closes conn.
func greet(ctx context.Context, conn *dbus.Conn) error {
	stop := context.AfterFunc(ctx, func() { conn.Close() }) // ends Auth and Hello, which take no context
	err := conn.Auth(nil)
	if err == nil {
		err = conn.Hello()
	}
	if !stop() {
		err = ctx.Err()
	}
	if err != nil {
		conn.Close()
	}
	return err
}
