package media

import (
	"bytes"
	"image"
	"image/color"
	"image/jpeg"
	"testing"
)

// smallPlate is a small view, encoded.
func smallPlate(t testing.TB) *plate {
	t.Helper()
	p, err := view{w: 320, h: 213, quality: 90, place: 3, flock: 4, sun: 0.5}.develop()
	if err != nil {
		t.Fatal(err)
	}
	return p
}

func TestPrintKeepsThePicture(t *testing.T) {
	p := smallPlate(t)
	whole := decode(t, p.jpeg)
	for seed := range uint64(20) {
		sheet := p.print(nil, draws(seed, 0))
		if len(sheet) != len(p.jpeg) {
			t.Fatalf("seed %d: %d bytes, want %d", seed, len(sheet), len(p.jpeg))
		}
		if bytes.Equal(sheet, p.jpeg) {
			t.Fatalf("seed %d: nothing redrawn", seed)
		}
		if off := meanOff(whole, decode(t, sheet)); off == 0 || off > 4 {
			t.Errorf("seed %d: shades are off by %.2f of 255 on average, want grain", seed, off)
		}
	}
}

// Every bit called loose is flipped at once: the worst that a print can do.
func TestEveryLooseBit(t *testing.T) {
	p := smallPlate(t)
	flipped, touched := bytes.Clone(p.jpeg), 0
	for i, loose := range p.loose {
		flipped[i] ^= loose
		if loose != 0 {
			touched++
		}
		if (flipped[i] == 0xFF) != (p.jpeg[i] == 0xFF) {
			t.Fatalf("byte %d: %#x became %#x: a marker came or went", i, p.jpeg[i], flipped[i])
		}
	}
	decode(t, flipped)
	if touched < len(p.jpeg)/4 {
		t.Errorf("only %d of %d bytes can be redrawn", touched, len(p.jpeg))
	}
}

func TestGreyPlate(t *testing.T) {
	img := image.NewGray(image.Rect(0, 0, 61, 47))
	draw := draws(1, 1)
	for i := range img.Pix {
		img.Pix[i] = uint8(120 + draw.Uint64()%16)
	}
	p, err := encode(img, 90)
	if err != nil {
		t.Fatal(err)
	}
	decode(t, p.print(nil, draws(2, 2)))
}

func FuzzLooseBits(f *testing.F) {
	p := smallPlate(f)
	f.Add(p.jpeg)
	f.Add(p.jpeg[:len(p.jpeg)/2])
	f.Add(p.jpeg[:700])
	f.Fuzz(func(t *testing.T, data []byte) {
		loose, err := looseBits(data)
		if err == nil && len(loose) != len(data) {
			t.Fatalf("%d masks for %d bytes", len(loose), len(data))
		}
	})
}

func decode(t testing.TB, encoded []byte) image.Image {
	t.Helper()
	img, err := jpeg.Decode(bytes.NewReader(encoded))
	if err != nil {
		t.Fatal(err)
	}
	return img
}

func meanOff(a, b image.Image) float64 {
	sum, r := 0.0, a.Bounds()
	for y := r.Min.Y; y < r.Max.Y; y++ {
		for x := r.Min.X; x < r.Max.X; x++ {
			p, q := color.GrayModel.Convert(a.At(x, y)).(color.Gray), color.GrayModel.Convert(b.At(x, y)).(color.Gray)
			sum += max(float64(p.Y)-float64(q.Y), float64(q.Y)-float64(p.Y))
		}
	}
	return sum / float64(r.Dx()*r.Dy())
}
