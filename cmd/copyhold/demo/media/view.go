package media

import (
	"image"
	"math"
	"math/rand/v2"
)

// view is what a camera sees: Tern Island over the sea. It is comparable, so that a
// developed plate can be found again by its view.
type view struct {
	w, h    int
	quality int     // of the JPEG, as image/jpeg counts it
	place   uint64  // the seed of island, clouds and sea
	flock   uint64  // the seed of the birds
	sun     float64 // 0 at dawn, 1 in full day
	pose    float64 // where in its cycle, 0 to 1, the movement of sea and wings is
}

// colour is red, green, blue from 0 to 255.
type colour [3]float64

func (c colour) toward(d colour, t float64) colour {
	return colour{blend(c[0], d[0], t), blend(c[1], d[1], t), blend(c[2], d[2], t)}
}

func (c colour) plus(d colour, t float64) colour {
	return colour{c[0] + d[0]*t, c[1] + d[1]*t, c[2] + d[2]*t}
}

// canvas is a picture being painted. Lengths are in picture heights, so that stills
// and clips show the same island.
type canvas struct {
	view
	img     *image.RGBA
	tex     *texture
	horizon int // the first row of sea
	sunX    float64

	zenith, low, glow, deep, shine, rock colour
}

func (v view) paint() *image.RGBA {
	draw := rand.New(draws(v.place, 0x5e))
	day := func(dawn, noon colour) colour { return dawn.toward(noon, v.sun) }
	c := &canvas{
		view:    v,
		img:     image.NewRGBA(image.Rect(0, 0, v.w, v.h)),
		tex:     newTexture(v.place),
		horizon: int(float64(v.h) * (0.60 + 0.06*draw.Float64())),
		sunX:    float64(v.w) * (0.24 + 0.22*draw.Float64()),
		zenith:  day(colour{44, 62, 108}, colour{70, 128, 190}),
		low:     day(colour{244, 178, 132}, colour{206, 224, 234}),
		glow:    day(colour{90, 62, 18}, colour{40, 38, 28}),
		deep:    day(colour{26, 44, 72}, colour{22, 74, 104}),
		shine:   day(colour{236, 172, 136}, colour{172, 206, 216}),
		rock:    day(colour{38, 42, 60}, colour{60, 76, 74}),
	}
	c.sky()
	c.sea()
	c.island(draw)
	c.birds()
	c.grain()
	return c.img
}

func (c *canvas) set(x, y int, p colour) {
	at := c.img.Pix[y*c.img.Stride+4*x:][:4]
	at[0], at[1], at[2], at[3] = level(p[0]), level(p[1]), level(p[2]), 255
}

func level(v float64) uint8 { return uint8(min(255, max(0, int(v)))) }

// cover lays p over what is there, as thick as t.
func (c *canvas) cover(x, y int, p colour, t float64) {
	if x < 0 || y < 0 || x >= c.w || y >= c.h || t <= 0 {
		return
	}
	at := c.img.Pix[y*c.img.Stride+4*x:]
	c.set(x, y, colour{float64(at[0]), float64(at[1]), float64(at[2])}.toward(p, min(1, t)))
}

func (c *canvas) sky() {
	h := float64(c.h)
	cloud := c.low.plus(colour{255, 255, 255}, 0.10)
	warm := make([]float64, c.w) // how near the sun each column is
	for x := range warm {
		warm[x] = bell((float64(x) - c.sunX) / h / 0.55)
	}
	for y := range c.horizon {
		height := 1 - float64(y)/float64(c.horizon) // 1 at the top
		plain := c.low.toward(c.zenith, math.Pow(height, 0.75))
		rise := bell(height / 0.45)
		thick := c.clouds(height)
		for x := range c.w {
			mass := blend(thick[x/cloudStep], thick[x/cloudStep+1], float64(x%cloudStep)/cloudStep)
			c.set(x, y, plain.plus(c.glow, warm[x]*rise).toward(cloud, mass))
		}
	}
}

// cloudStep is how many columns share two samples of the clouds: they are soft.
const cloudStep = 8

// clouds is one row's clouds, sampled: how much each covers of the sky behind.
func (c *canvas) clouds(height float64) []float64 {
	drift := 7 / (0.35 + height) // they crowd towards the horizon
	thick := make([]float64, c.w/cloudStep+2)
	for i := range thick {
		across := float64(i*cloudStep) / float64(c.h)
		mass := c.tex.cloudy(across*drift*0.42, height*drift*1.3, 4)
		thick[i] = 0.75 * ease(clamp01((mass-0.50)/0.24)) * (1 - 0.75*height)
	}
	return thick
}

// sea sets waves in perspective: far rows are narrow bands, near ones broad swell.
func (c *canvas) sea() {
	h := float64(c.h)
	for y := c.horizon; y < c.h; y++ {
		near := (float64(y-c.horizon) + 0.5) / float64(c.h-c.horizon) // 0 at the horizon
		far := 1 / (near + 0.045)
		sway := 0.35 * math.Sin(2*math.Pi*(c.pose+near))
		road := 0.05 + 0.22*near // half width of the sun's road
		plain := c.shine.toward(c.deep, 0.35+0.65*math.Sqrt(near))
		for x := range c.w {
			across := (float64(x) - float64(c.w)/2) / h
			swell := c.tex.at(across*far*5+sway, far*11) // rows of swell
			chop := c.tex.at(across*far*24-sway, far*46) // what glitters
			p := plain.plus(c.deep, 0.5*(0.5-swell)).toward(c.shine, 0.34*ease(clamp01(1.5*swell*chop)))
			if off := (float64(x) - c.sunX) / h / road; off*off < 6 {
				p = p.plus(c.shine, 0.55*bell(off)*chop*chop*chop*(1-0.5*near))
			}
			c.set(x, y, p)
		}
	}
}

// hill is one rise of the island's outline.
type hill struct{ x, wide, high float64 }

func (c *canvas) island(draw *rand.Rand) {
	h, width := float64(c.h), float64(c.w)/float64(c.h)
	main := width * (0.60 + 0.12*draw.Float64())
	hills := []hill{
		{main, 0.15, 0.13 + 0.05*draw.Float64()},
		{main + 0.20, 0.17, 0.07 + 0.04*draw.Float64()},
		{main - 0.22, 0.12, 0.045 + 0.03*draw.Float64()},
		{main - 0.44, 0.016, 0.05 + 0.02*draw.Float64()}, // a stack off the coast
	}
	for x := range c.w {
		at, top := float64(x)/h, -0.012
		for _, hill := range hills {
			top += hill.high * bell((at-hill.x)/hill.wide)
		}
		top += 0.030 * (c.tex.cloudy(at*14, 3, 4) - 0.5) * clamp01(top/0.04)
		c.cliff(x, top*h)
	}
}

// cliff paints one column of rock, its surf and its reflection.
func (c *canvas) cliff(x int, top float64) {
	if top <= 0 {
		return
	}
	for up := 0; float64(up) < top+1; up++ {
		rise := float64(up) / float64(c.h)
		grain := c.tex.cloudy(float64(x)/float64(c.h)*60, rise*46, 2)
		p := c.rock.plus(c.low, 0.10+0.14*(grain-0.5)).toward(c.low, 0.30*bell(rise/0.03)) // haze at the foot
		c.cover(x, c.horizon-1-up, p, top+1-float64(up))
	}
	surf := c.tex.at(float64(x)/float64(c.h)*90+c.pose, 1)
	c.cover(x, c.horizon, colour{240, 240, 236}, 0.8*surf*clamp01(top/6))
	for down := 1; float64(down) < top*0.8; down++ {
		broken := c.tex.at(float64(x)*0.02, float64(down)*0.35+c.pose)
		c.cover(x, c.horizon+down, c.rock, 0.55*broken*(1-float64(down)/(top*0.8)))
	}
}

// grain adds the noise of a sensor, so that the picture does not compress to nothing.
func (c *canvas) grain() {
	draw := draws(mix(c.place, c.flock), math.Float64bits(c.pose))
	var bits uint64
	for i := 0; i < len(c.img.Pix); i += 4 {
		if i%32 == 0 {
			bits = draw.Uint64()
		}
		speck := int(bits&7) + int(bits>>3&7) - int(bits>>6&3) - 5 // about a bell from -8 to 9
		bits >>= 8
		for ch := range 3 {
			c.img.Pix[i+ch] = uint8(min(255, max(0, int(c.img.Pix[i+ch])+speck)))
		}
	}
}
