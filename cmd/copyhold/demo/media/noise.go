package media

import (
	"math"
	"math/rand/v2"
)

// mix draws one well-spread number from two. The steps are the finalizer of SplitMix64:
// Steele, Lea, Flood, "Fast Splittable Pseudorandom Number Generators", OOPSLA 2014, section 3.
func mix(a, b uint64) uint64 {
	z := a + (b+1)*0x9e3779b97f4a7c15
	z = (z ^ z>>30) * 0xbf58476d1ce4e5b9
	z = (z ^ z>>27) * 0x94d049bb133111eb
	return z ^ z>>31
}

func draws(seed, stream uint64) *rand.PCG { return rand.NewPCG(seed, stream) }

// texture is smooth noise over the plane: random values on a grid of whole numbers,
// blended between them. It repeats after textureSide, far beyond what one picture shows.
type texture [textureSide * textureSide]float32

const textureSide = 256

func newTexture(seed uint64) *texture {
	t, draw := new(texture), rand.New(draws(seed, 0x7e))
	for i := range t {
		t[i] = draw.Float32()
	}
	return t
}

// at returns a value from 0 to 1.
func (t *texture) at(x, y float64) float64 {
	fx, fy := math.Floor(x), math.Floor(y)
	x0, y0 := int(fx)&(textureSide-1), int(fy)&(textureSide-1)
	x1, y1 := (x0+1)&(textureSide-1), (y0+1)&(textureSide-1)
	u, v := ease(x-fx), ease(y-fy)
	top := blend(float64(t[y0*textureSide+x0]), float64(t[y0*textureSide+x1]), u)
	low := blend(float64(t[y1*textureSide+x0]), float64(t[y1*textureSide+x1]), u)
	return blend(top, low, v)
}

// cloudy sums octaves of the texture, each twice as fine and half as strong; 0 to 1.
func (t *texture) cloudy(x, y float64, octaves int) float64 {
	sum, strength, all := 0.0, 1.0, 0.0
	for range octaves {
		sum += strength * t.at(x, y)
		all += strength
		x, y, strength = 2*x+17.3, 2*y+5.1, strength/2
	}
	return sum / all
}

func ease(t float64) float64        { return t * t * (3 - 2*t) }
func blend(a, b, t float64) float64 { return a + (b-a)*t }
func bell(t float64) float64        { return math.Exp(-t * t) }
func clamp01(t float64) float64     { return min(1, max(0, t)) }
