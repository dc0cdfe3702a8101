package media

import (
	"encoding/xml"
	"io"
	"strings"
	"testing"
)

// packet is the part of XMP that a sidecar holds, read by encoding/xml.
type packet struct {
	XMLName     xml.Name `xml:"adobe:ns:meta/ xmpmeta"`
	Description struct {
		About  string `xml:"http://www.w3.org/1999/02/22-rdf-syntax-ns# about,attr"`
		Rating int    `xml:"http://ns.adobe.com/xap/1.0/ Rating"`
		Source string `xml:"http://purl.org/dc/elements/1.1/ source"`
	} `xml:"http://www.w3.org/1999/02/22-rdf-syntax-ns# RDF>Description"`
}

func TestSidecar(t *testing.T) {
	for _, c := range []struct {
		name   string
		rating int
	}{{"TERN0001.JPG", 5}, {"TERN0009.JPG", -1}, {`Terns & "gulls" <3>.JPG`, 0}} {
		text := string(made(t, func(w io.Writer) error { return Sidecar(w, c.name, c.rating) }))
		var p packet
		if err := xml.Unmarshal([]byte(text), &p); err != nil {
			t.Fatalf("%s: %v", c.name, err)
		}
		if p.Description.Rating != c.rating || p.Description.Source != c.name {
			t.Errorf("%s with %d stars reads back as %+v", c.name, c.rating, p.Description)
		}
		if !strings.HasPrefix(text, "<?xpacket begin=\"\xEF\xBB\xBF\" id=\"W5M0MpCehiHzreSzNTczkc9d\"?>\n") ||
			!strings.HasSuffix(text, "\n<?xpacket end=\"w\"?>\n") {
			t.Errorf("%s: no packet around\n%s", c.name, text)
		}
	}
	for _, rating := range []int{-2, 6} {
		if err := Sidecar(io.Discard, "TERN0001.JPG", rating); err == nil {
			t.Errorf("a rating of %d was written", rating)
		}
	}
}
