package media

import (
	"bytes"
	"encoding/binary"
	"fmt"
	"image"
	"io"
	"testing"
	"time"
)

// made is what write writes.
func made(t testing.TB, write func(io.Writer) error) []byte {
	t.Helper()
	var b bytes.Buffer
	if err := write(&b); err != nil {
		t.Fatal(err)
	}
	return b.Bytes()
}

func still(t testing.TB, n int, seed uint64) []byte {
	t.Helper()
	return made(t, func(w io.Writer) error { return Still(w, n, seed) })
}

// Every still of the first bursts decodes, and its Exif, read by a reader of our own that shares
// nothing with the writer, tells the moment.
func TestStills(t *testing.T) {
	t.Parallel()
	var before time.Time
	for n := 1; n <= 4*burst; n++ {
		b := still(t, n, 7)
		if len(b) < 300e3 || len(b) > 1e6 {
			t.Errorf("still %d has %d bytes, want 300 KB to 1 MB", n, len(b))
		}
		if got, want := decode(t, b).Bounds(), image.Rect(0, 0, 1600, 1067); got != want {
			t.Errorf("still %d is %v, want %v", n, got, want)
		}
		tags := readExif(t, b)
		for id, want := range map[uint16]string{
			0x010F: "Tern Island Demo", 0x0110: "Seabird I", 0x9000: "0231",
			0xA002: "1600", 0xA003: "1067", 0xA001: "1", 0x0112: "1", 0x9011: "-02:00",
		} {
			if tags[id] != want {
				t.Errorf("still %d: tag %#x is %q, want %q", n, id, tags[id], want)
			}
		}
		taken, err := time.Parse("2006:01:02 15:04:05.000-07:00", tags[0x9003]+"."+tags[0x9291]+tags[0x9011])
		if err != nil || !taken.After(before) || taken.Format(time.DateOnly) != "2026-03-02" {
			t.Errorf("still %d was taken at %v after %v (%v)", n, taken, before, err)
		}
		before = taken
	}
}

func TestStillFollowsFromItsSeed(t *testing.T) {
	first := still(t, 1, 7)
	if !bytes.Equal(first, still(t, 1, 7)) {
		t.Error("the same seed and number gave two stills")
	}
	if bytes.Equal(first, still(t, 2, 7)) || bytes.Equal(first, still(t, 1, 8)) {
		t.Error("another number or seed gave the same still")
	}
	if err := Still(io.Discard, 0, 1); err == nil {
		t.Error("still 0 was made")
	}
}

// readExif reads the tags of the first APP1 segment and of the directory that it points
// to, as text. It knows both byte orders and the kinds of CIPA DC-008-2016, 4.6.2.
func readExif(t testing.TB, b []byte) map[uint16]string {
	t.Helper()
	if len(b) < 12 || !bytes.Equal(b[:4], []byte{0xFF, 0xD8, 0xFF, 0xE1}) || string(b[6:12]) != "Exif\x00\x00" {
		t.Fatalf("no Exif right after the start of image: % x", b[:12])
	}
	tiff := b[12 : 4+int(b[4])<<8+int(b[5])]
	var order binary.ByteOrder = binary.BigEndian
	if string(tiff[:2]) == "II" {
		order = binary.LittleEndian
	}
	if order.Uint16(tiff[2:]) != 42 {
		t.Fatalf("no TIFF: % x", tiff[:8])
	}
	tags := map[uint16]string{}
	readDirectory(t, tiff, order, order.Uint32(tiff[4:]), tags)
	var inner uint32
	if _, err := fmt.Sscan(tags[0x8769], &inner); err != nil {
		t.Fatal(err)
	}
	readDirectory(t, tiff, order, inner, tags)
	return tags
}

func readDirectory(t testing.TB, tiff []byte, order binary.ByteOrder, at uint32, tags map[uint16]string) {
	t.Helper()
	n, last := int(order.Uint16(tiff[at:])), uint16(0)
	for i := range n {
		e := tiff[int(at)+2+12*i:][:12]
		id, kind, count := order.Uint16(e), order.Uint16(e[2:]), order.Uint32(e[4:])
		if id <= last {
			t.Errorf("tag %#x follows %#x: not in ascending order", id, last)
		}
		last = id
		size := count * map[uint16]uint32{2: 1, 3: 2, 4: 4, 5: 8, 7: 1}[kind]
		value := e[8:]
		if size > 4 {
			from := order.Uint32(e[8:])
			if from%2 != 0 {
				t.Errorf("tag %#x: its value lies at the odd offset %d", id, from)
			}
			value = tiff[from:]
		}
		tags[id] = exifText(t, id, kind, value[:size], order)
	}
	if next := order.Uint32(tiff[int(at)+2+12*n:]); next != 0 {
		t.Errorf("a further directory at %d", next)
	}
}

func exifText(t testing.TB, id, kind uint16, value []byte, order binary.ByteOrder) string {
	t.Helper()
	switch kind {
	case 2:
		if value[len(value)-1] != 0 {
			t.Errorf("tag %#x does not end in NUL", id)
		}
		return string(value[:len(value)-1])
	case 3:
		return fmt.Sprint(order.Uint16(value))
	case 4:
		return fmt.Sprint(order.Uint32(value))
	case 5:
		return fmt.Sprint(order.Uint32(value), "/", order.Uint32(value[4:]))
	case 7:
		return string(value)
	}
	t.Errorf("tag %#x is of kind %d", id, kind)
	return ""
}

func BenchmarkStill(b *testing.B) {
	n := 0
	for b.Loop() {
		n = n%40 + 1
		if err := Still(io.Discard, n, 7); err != nil {
			b.Fatal(err)
		}
	}
}
