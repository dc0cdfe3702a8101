package media

import (
	"bytes"
	"encoding/binary"
	"image"
	"image/jpeg"
	"math/rand/v2"
	"sync"
)

// plate is an encoded JPEG whose grain can be redrawn: each print has the same picture
// and length, other bytes throughout, and costs next to nothing. Encoding every frame of
// a clip anew was tried and gives some 10 MB/s; repeating frames with another comment
// in each leaves most blocks of a clip alike.
type plate struct {
	jpeg  []byte
	loose []byte // for each byte of jpeg the bits that a print may flip; see looseBits
}

// newPlate finds what may be redrawn in a JPEG as image/jpeg encodes it.
func newPlate(encoded []byte) (*plate, error) {
	loose, err := looseBits(encoded)
	if err != nil {
		return nil, err
	}
	return &plate{jpeg: encoded, loose: loose}, nil
}

// print appends the picture with a grain drawn from draw.
func (p *plate) print(dst []byte, draw *rand.PCG) []byte {
	start := len(dst)
	dst = append(dst, p.jpeg...)
	out, i := dst[start:], 0
	for ; i+8 <= len(out); i += 8 {
		bits := binary.LittleEndian.Uint64(p.loose[i:]) & draw.Uint64()
		binary.LittleEndian.PutUint64(out[i:], binary.LittleEndian.Uint64(out[i:])^bits)
	}
	for last := draw.Uint64(); i < len(out); i++ {
		out[i] ^= p.loose[i] & byte(last)
		last >>= 8
	}
	return dst
}

// shelf keeps the plates that were developed, as bursts and clips use one many times.
var shelf = struct {
	mu     sync.Mutex
	plates map[view]func() (*plate, error)
}{plates: map[view]func() (*plate, error){}}

// shelfRoom is more than a day needs at scale 1; some 30 MB.
const shelfRoom = 64

// develop paints and encodes a view once, however many ask for it.
func (v view) develop() (*plate, error) {
	shelf.mu.Lock()
	once, ok := shelf.plates[v]
	if !ok {
		if len(shelf.plates) >= shelfRoom {
			clear(shelf.plates)
		}
		once = sync.OnceValues(func() (*plate, error) { return encode(v.paint(), v.quality) })
		shelf.plates[v] = once
	}
	shelf.mu.Unlock()
	return once()
}

func encode(img image.Image, quality int) (*plate, error) {
	var b bytes.Buffer
	if err := jpeg.Encode(&b, img, &jpeg.Options{Quality: quality}); err != nil {
		return nil, err
	}
	return newPlate(b.Bytes())
}
