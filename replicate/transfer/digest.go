package transfer

import (
	"io"

	"github.com/zeebo/blake3"
	"github.com/zeebo/xxh3"

	"copyhold/replicate"
)

// digester takes both hashes of a file in one pass. It hides which library
// computes them.
type digester struct {
	digest *blake3.Hasher
	xxh    *xxh3.Hasher128
}

func newDigester() *digester {
	return &digester{digest: blake3.New(), xxh: xxh3.New128()}
}

func (d *digester) Reset() {
	d.digest.Reset()
	d.xxh.Reset()
}

func (d *digester) Write(p []byte) (int, error) {
	d.xxh.Write(p)
	return d.digest.Write(p)
}

func (d *digester) sums() (digest replicate.Digest, xxh replicate.XXH128) {
	d.digest.Sum(digest[:0])
	return digest, d.xxh.Sum128().Bytes()
}

// digestOf reads all of r. The buffer is the caller's, so that many files cost
// one.
func digestOf(r io.Reader, buffer []byte, tell func(n int)) (replicate.Digest, int64, error) {
	hash := blake3.New()
	var total int64
	for {
		n, err := r.Read(buffer)
		hash.Write(buffer[:n])
		total += int64(n)
		tell(n)
		if err == io.EOF {
			var d replicate.Digest
			hash.Sum(d[:0])
			return d, total, nil
		}
		if err != nil {
			return replicate.Digest{}, total, err
		}
	}
}
