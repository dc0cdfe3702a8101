package media

import (
	"bytes"
	"encoding/xml"
	"fmt"
	"io"
)

// Sidecar writes the XMP packet that stands beside a still and carries its rating: 0 to 5
// stars, or -1 for rejected.
//
// ISO 16684-1:2012 (cited from memory): 7.3 (packet wrapper and x:xmpmeta), 8.3 and 8.4 (namespaces dc and xmp).
func Sidecar(w io.Writer, forName string, rating int) error {
	if rating < -1 || rating > 5 {
		return fmt.Errorf("sidecar of %s: a rating of %d is not from -1 to 5", forName, rating)
	}
	_, err := w.Write(sidecar(forName, rating))
	return err
}

func sidecar(forName string, rating int) []byte {
	var name bytes.Buffer
	xml.EscapeText(&name, []byte(forName)) // a bytes.Buffer takes everything
	return fmt.Appendf(nil, sidecarForm, rating, name.Bytes())
}

// The packet's header marks the encoding with a byte order mark, and its id is the standard's.
const sidecarForm = "<?xpacket begin=\"\uFEFF\" id=\"W5M0MpCehiHzreSzNTczkc9d\"?>" + `
<x:xmpmeta xmlns:x="adobe:ns:meta/">
 <rdf:RDF xmlns:rdf="http://www.w3.org/1999/02/22-rdf-syntax-ns#">
  <rdf:Description rdf:about=""
    xmlns:xmp="http://ns.adobe.com/xap/1.0/"
    xmlns:dc="http://purl.org/dc/elements/1.1/">
   <xmp:Rating>%d</xmp:Rating>
   <dc:source>%s</dc:source>
  </rdf:Description>
 </rdf:RDF>
</x:xmpmeta>
<?xpacket end="w"?>
`
