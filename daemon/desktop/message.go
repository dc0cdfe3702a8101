package desktop

// Message is one thing to say to whoever sits at the desktop.
type Message struct {
	// Key names what the message is about; it is never shown. A message replaces the earlier one of the same key.
	// Without a key it stands alone: nothing replaces it and it cannot be withdrawn.
	Key string
	// Summary is one line, cut after 60 characters.
	Summary string
	// Body may have several lines and is cut after 400 characters. It is plain text: markup in it is shown as typed.
	Body string
	// Urgency is Low when not set.
	Urgency Urgency
	// Category is one of the names of the Desktop Notifications Specification, "Categories", such as
	// "transfer.complete" or "device.error"; empty means none.
	Category string
}

// Urgency says how much a message may disturb. The values are those of the Desktop Notifications Specification,
// "Urgency Levels".
type Urgency byte

const (
	Low      Urgency = iota // may be missed
	Normal                  // worth a glance
	Critical                // stays until it is dismissed or withdrawn
)
