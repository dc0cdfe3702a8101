package media

import (
	"math"
	"math/rand/v2"
)

// point is a place on the canvas, in pixels.
type point struct{ x, y float64 }

func (p point) toward(q point, t float64) point {
	return point{blend(p.x, q.x, t), blend(p.y, q.y, t)}
}

// bird is a seabird on the wing.
type bird struct {
	at   point
	size float64 // of one wing, in pixels
	bank float64 // how far it leans, in radians
	beat float64 // where its wings are: -1 down, 1 up
	left bool    // flies to the left
	ink  colour
}

// birds paints a far flock around the island and two or three birds close by.
func (c *canvas) birds() {
	draw := rand.New(draws(c.flock, 0xb1))
	for range 9 + draw.IntN(10) {
		c.bird(c.hatch(draw, 0.012+0.022*draw.Float64(), 0.25))
	}
	for range 2 + draw.IntN(2) {
		c.bird(c.hatch(draw, 0.06+0.07*draw.Float64(), 0.05))
	}
}

// hatch places a bird of a size given in picture heights; the air thins its ink.
func (c *canvas) hatch(draw *rand.Rand, size, haze float64) bird {
	w, h := float64(c.w), float64(c.h)
	turn := c.pose + draw.Float64()
	return bird{
		at: point{
			x: w*(0.06+0.88*draw.Float64()) + 0.3*size*h*math.Cos(2*math.Pi*turn),
			y: h*(0.08+0.48*draw.Float64()) - 0.2*size*h*math.Sin(2*math.Pi*turn),
		},
		size: size * h,
		bank: 0.5 * (draw.Float64() - 0.5),
		beat: math.Sin(2 * math.Pi * turn),
		left: draw.IntN(2) == 0,
		ink:  colour{34, 36, 44}.toward(c.low, haze),
	}
}

// bird strokes body, bill, forked tail and two bent wings. Seen a little from below, the
// far wing stands higher than the near one.
func (c *canvas) bird(b bird) {
	thick := max(0.6, 0.05*b.size)
	far, near := 0.46+0.50*b.beat, 0.14+0.60*b.beat
	head, tail := b.point(0.30, 0.03), b.point(-0.32, 0)
	c.stroke(b.point(0.10, 0.03), b.point(0.42, 0.12+0.8*far), b.point(-0.08, 0.10+1.25*far), 1.6*thick, 0.25*thick, b.ink)
	c.stroke(tail, b.point(0, -0.07), head, 0.5*thick, 1.7*thick, b.ink)
	c.stroke(head, b.point(0.37, 0.03), b.point(0.46, -0.01), 0.9*thick, 0.2*thick, b.ink)
	c.stroke(tail, b.point(-0.46, 0.04), b.point(-0.64, 0.08), 0.6*thick, 0.15*thick, b.ink)
	c.stroke(tail, b.point(-0.46, -0.02), b.point(-0.62, -0.04), 0.6*thick, 0.15*thick, b.ink)
	c.stroke(b.point(0.08, -0.01), b.point(0.16, 0.06+1.1*near), b.point(-0.86, 0.02+1.05*near), 1.9*thick, 0.25*thick, b.ink)
}

// point turns a place on the bird (ahead, up, in wings) into one on the canvas.
func (b bird) point(ahead, up float64) point {
	sin, cos := math.Sincos(b.bank)
	x, y := ahead*cos-up*sin, ahead*sin+up*cos
	if b.left {
		x = -x
	}
	return point{b.at.x + x*b.size, b.at.y - y*b.size}
}

// stroke draws a curve from a to z bent towards via, its half width going from one to the other.
func (c *canvas) stroke(a, via, z point, from, to float64, ink colour) {
	length := math.Hypot(via.x-a.x, via.y-a.y) + math.Hypot(z.x-via.x, z.y-via.y)
	steps := int(length*1.5) + 2
	for i := range steps {
		t := float64(i) / float64(steps-1)
		c.dab(a.toward(via, t).toward(via.toward(z, t), t), blend(from, to, t), ink)
	}
}

func (c *canvas) dab(p point, radius float64, ink colour) {
	reach := radius + 1
	for y := int(p.y - reach); y <= int(p.y+reach); y++ {
		for x := int(p.x - reach); x <= int(p.x+reach); x++ {
			c.cover(x, y, ink, radius+0.5-math.Hypot(float64(x)-p.x, float64(y)-p.y))
		}
	}
}
