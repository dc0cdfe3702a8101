package media

import "encoding/binary"

// RIFF, as Multimedia Programming Interface and Data Specifications 1.0 (IBM and Microsoft,
// August 1991), chapter 2, lays it out (cited from memory): an id of four letters, the
// length of what follows in little endian, the content, and a zero where that is odd.

// chunkHead starts a chunk whose content follows.
func chunkHead(id string, size int) []byte {
	return little.AppendUint32([]byte(id), uint32(size))
}

// chunk is a whole chunk.
func chunk(id string, content []byte) []byte {
	c := append(chunkHead(id, len(content)), content...)
	return append(c, make([]byte, len(content)%2)...)
}

// list is a LIST of chunks.
func list(form string, chunks ...[]byte) []byte {
	content := []byte(form)
	for _, c := range chunks {
		content = append(content, c...)
	}
	return chunk("LIST", content)
}

// packed is v, a struct of fixed size, in little endian.
func packed(v any) []byte {
	b, err := binary.Append(nil, little, v)
	if err != nil {
		panic(err) // not a struct of fixed size: a bug of this package
	}
	return b
}
