package media

import (
	"encoding/binary"
	"testing"
)

// riffChunk is a chunk as the tests' own walker finds it. Lists have chunks, others content.
type riffChunk struct {
	id, form string
	at       int // of its id, in the file
	content  []byte
	chunks   []riffChunk
}

// walkRIFF reads a RIFF file and checks that its lengths add up to the last byte. It
// shares nothing with the writer.
func walkRIFF(t testing.TB, file []byte) riffChunk {
	t.Helper()
	if len(file) < 12 || string(file[:4]) != "RIFF" {
		t.Fatalf("no RIFF: % x", file[:min(12, len(file))])
	}
	all := walkChunks(t, file, 0, len(file))
	if len(all) != 1 {
		t.Fatalf("%d chunks at the top, want 1", len(all))
	}
	return all[0]
}

func walkChunks(t testing.TB, file []byte, at, end int) (found []riffChunk) {
	t.Helper()
	for at < end {
		if end-at < 8 {
			t.Fatalf("%d bytes left at %d", end-at, at)
		}
		c := riffChunk{id: string(file[at : at+4]), at: at}
		size := int(binary.LittleEndian.Uint32(file[at+4:]))
		from := at + 8
		if from+size > end {
			t.Fatalf("chunk %q at %d: %d bytes do not fit before %d", c.id, at, size, end)
		}
		if c.id == "RIFF" || c.id == "LIST" {
			c.form = string(file[from : from+4])
			c.chunks = walkChunks(t, file, from+4, from+size)
		} else {
			c.content = file[from : from+size]
		}
		at = from + size
		if size%2 == 1 {
			if at >= end || file[at] != 0 {
				t.Fatalf("chunk %q at %d: no zero after an odd length", c.id, c.at)
			}
			at++
		}
		found = append(found, c)
	}
	return found
}

// get is the only chunk in c of that id or form.
func (c riffChunk) get(t testing.TB, name string) riffChunk {
	t.Helper()
	var found []riffChunk
	for _, sub := range c.chunks {
		if sub.id == name || sub.form == name {
			found = append(found, sub)
		}
	}
	if len(found) != 1 {
		t.Fatalf("%d chunks %q in %q, want 1", len(found), name, c.form)
	}
	return found[0]
}

// number reads a field of 2 or 4 bytes.
func (c riffChunk) number(at, bytes int) int {
	if bytes == 2 {
		return int(binary.LittleEndian.Uint16(c.content[at:]))
	}
	return int(binary.LittleEndian.Uint32(c.content[at:]))
}

// field is where a number lies in a chunk and what it must be.
type field struct {
	name            string
	at, bytes, want int
}

func checkFields(t testing.TB, c riffChunk, fields []field) {
	t.Helper()
	for _, f := range fields {
		if got := c.number(f.at, f.bytes); got != f.want {
			t.Errorf("%s of %q is %d, want %d", f.name, c.id, got, f.want)
		}
	}
}
