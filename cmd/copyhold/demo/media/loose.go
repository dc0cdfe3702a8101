package media

import (
	"encoding/binary"
	"errors"
	"fmt"
)

// errScan is for a JPEG that is not baseline, one scan, without restarts, or is cut short.
var errScan = errors.New("not a JPEG whose grain can be redrawn")

// grainFrom is the first coefficient, in zigzag order, that counts as grain; lower
// ones carry shades, and flipping those would show the blocks.
const grainFrom = 6

// looseBits walks the entropy-coded data of a baseline JPEG and returns, for each byte,
// the bits that can be flipped with the file staying valid and as long: the signs of
// coefficients of plus or minus one. Whatever is flipped, no byte becomes 0xFF.
//
// The layout is ITU-T T.81 (1992): segments B.1 and B.2, Huffman tables C.2 and
// F.2.2.3, coefficients F.1.2.
func looseBits(encoded []byte) ([]byte, error) {
	s := scan{data: encoded, loose: make([]byte, len(encoded))}
	if err := s.headers(); err != nil {
		return nil, err
	}
	for range s.units {
		for _, c := range s.parts {
			for range c.blocks {
				if err := s.block(c); err != nil {
					return nil, err
				}
			}
		}
	}
	for i, b := range encoded {
		if b|s.loose[i] == 0xFF { // could become, or is, a marker's first byte
			s.loose[i] = 0
		}
	}
	return s.loose, nil
}

// scan is a position in the entropy-coded data, and what is needed to read it.
type scan struct {
	data   []byte
	loose  []byte
	at     int  // the byte being read
	unread uint // its bits not yet read

	tables [2][4]*huffman // by class (0 DC, 1 AC) and number
	parts  []part         // the components, in scan order
	units  int            // how many MCUs there are
	width  int
	height int
}

// part is one component of the picture.
type part struct {
	id             byte
	h, v, blocks   int
	dcTable, acTab byte
}

// huffman decodes one bit at a time: code lengths, then symbols in code order.
type huffman struct {
	counts  [17]int
	symbols []byte
}

// headers reads up to the first entropy-coded byte.
func (s *scan) headers() error {
	if len(s.data) < 2 || s.data[0] != 0xFF || s.data[1] != 0xD8 {
		return fmt.Errorf("%w: no start of image", errScan)
	}
	for at := 2; at+4 <= len(s.data); {
		marker, size := s.data[at+1], int(binary.BigEndian.Uint16(s.data[at+2:]))
		if s.data[at] != 0xFF || size < 2 || at+2+size > len(s.data) {
			return fmt.Errorf("%w: bad segment", errScan)
		}
		body := s.data[at+4 : at+2+size]
		at += 2 + size
		ok := true
		switch marker {
		case 0xC0:
			ok = s.frame(body)
		case 0xC4:
			ok = s.huffmanTables(body)
		case 0xC1, 0xC2, 0xC3, 0xDD: // other processes; restart intervals
			ok = false
		case 0xDA:
			s.at, s.unread = at, 8
			if !s.start(body) {
				return fmt.Errorf("%w: bad scan header", errScan)
			}
			return nil
		}
		if !ok {
			return fmt.Errorf("%w: segment %#x", errScan, marker)
		}
	}
	return fmt.Errorf("%w: no scan", errScan)
}

func (s *scan) frame(body []byte) bool {
	if len(body) < 6 || s.parts != nil || len(body) != 6+3*int(body[5]) || body[5] == 0 {
		return false
	}
	s.height, s.width = int(binary.BigEndian.Uint16(body[1:])), int(binary.BigEndian.Uint16(body[3:]))
	for c := body[6:]; len(c) > 0; c = c[3:] {
		p := part{id: c[0], h: int(c[1] >> 4), v: int(c[1] & 15)}
		if p.h < 1 || p.h > 4 || p.v < 1 || p.v > 4 {
			return false
		}
		s.parts = append(s.parts, p)
	}
	return s.width > 0 && s.height > 0
}

func (s *scan) huffmanTables(body []byte) bool {
	for len(body) >= 17 {
		class, number := body[0]>>4, body[0]&15
		if class > 1 || number > 3 {
			return false
		}
		t, all := new(huffman), 0
		for length := 1; length <= 16; length++ {
			t.counts[length] = int(body[length])
			all += t.counts[length]
		}
		if len(body) < 17+all {
			return false
		}
		t.symbols = body[17 : 17+all]
		s.tables[class][number] = t
		body = body[17+all:]
	}
	return len(body) == 0
}

// start reads the scan header, which must list all components in the frame's order.
func (s *scan) start(body []byte) bool {
	n := len(s.parts)
	if n == 0 || len(body) != 4+2*n || int(body[0]) != n {
		return false
	}
	wide, high := 1, 1
	for i := range s.parts {
		p := &s.parts[i]
		p.dcTable, p.acTab = body[2+2*i]>>4, body[2+2*i]&15
		if body[1+2*i] != p.id || p.dcTable > 3 || p.acTab > 3 ||
			s.tables[0][p.dcTable] == nil || s.tables[1][p.acTab] == nil {
			return false
		}
		wide, high, p.blocks = max(wide, p.h), max(high, p.v), p.h*p.v
	}
	if n == 1 { // T.81 A.2.2: not interleaved, one block per unit
		s.parts[0].blocks, wide, high = 1, 1, 1
	}
	s.units = ((s.width + 8*wide - 1) / (8 * wide)) * ((s.height + 8*high - 1) / (8 * high))
	return true
}

// block reads one block of 64 coefficients, marking the signs that may be flipped.
func (s *scan) block(p part) error {
	size, err := s.symbol(s.tables[0][p.dcTable])
	if err != nil {
		return err
	}
	if err := s.skip(uint(size)); err != nil {
		return err
	}
	for k := 1; k < 64; k++ {
		code, err := s.symbol(s.tables[1][p.acTab])
		if err != nil {
			return err
		}
		run, size := int(code>>4), uint(code&15)
		if size == 0 && run != 15 {
			break // end of block
		}
		k += run
		if size == 1 && k >= grainFrom && k < 64 && s.at < len(s.loose) {
			s.loose[s.at] |= 1 << (s.unread - 1)
		}
		if err := s.skip(size); err != nil {
			return err
		}
	}
	return nil
}

func (s *scan) skip(bits uint) error {
	for range bits {
		if _, err := s.bit(); err != nil {
			return err
		}
	}
	return nil
}

// symbol reads bits until they form a code: T.81 F.2.2.3.
func (s *scan) symbol(t *huffman) (byte, error) {
	code, first, index := 0, 0, 0
	for length := 1; length <= 16; length++ {
		b, err := s.bit()
		if err != nil {
			return 0, err
		}
		code |= b
		if n := t.counts[length]; code-first < n {
			return t.symbols[index+code-first], nil
		}
		index += t.counts[length]
		first = (first + t.counts[length]) << 1
		code <<= 1
	}
	return 0, fmt.Errorf("%w: unknown code", errScan)
}

// bit reads one bit and then steps over a finished byte, so that unread is above 0
// and at is the byte of the next bit.
func (s *scan) bit() (int, error) {
	if s.at+1 >= len(s.data) || s.data[s.at] == 0xFF && s.data[s.at+1] != 0 {
		return 0, fmt.Errorf("%w: cut short", errScan)
	}
	s.unread--
	b := int(s.data[s.at]>>s.unread) & 1
	if s.unread == 0 {
		if s.data[s.at] == 0xFF {
			s.at++ // the stuffed zero: T.81 F.1.2.3
		}
		s.at++
		s.unread = 8
	}
	return b, nil
}
