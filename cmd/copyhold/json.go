package main

import (
	"bytes"
	"encoding/json"
	"fmt"
	"io"
)

// writeJSON writes one document on one line.
func writeJSON(w io.Writer, a any) error {
	var text bytes.Buffer
	e := json.NewEncoder(&text)
	e.SetEscapeHTML(false)
	if err := e.Encode(a); err != nil {
		return err
	}
	_, err := w.Write(harmlessJSON(text.Bytes()))
	return err
}

// harmlessJSON escapes what package json leaves alone and a terminal would
// obey. Such a character can only stand in a string, so the document stays the
// same to whoever reads it.
func harmlessJSON(text []byte) []byte {
	var out bytes.Buffer
	for _, r := range string(text) {
		if r != '\n' && harmful(r) {
			fmt.Fprintf(&out, `\u%04x`, r)
			continue
		}
		out.WriteRune(r)
	}
	return out.Bytes()
}
