package file

import (
	"bytes"
	"errors"
	"fmt"
	"math"
	"slices"
	"strings"
	"sync"
	"unicode/utf8"

	bstoml "github.com/BurntSushi/toml"
	gotoml "github.com/pelletier/go-toml/v2"
	"github.com/pelletier/go-toml/v2/unstable"
)

// checkBytes refuses what cannot be TOML before any parser sees it.
func (d *Doc) checkBytes() error {
	if bytes.HasPrefix(d.text, []byte("\xff\xfe")) || bytes.HasPrefix(d.text, []byte("\xfe\xff")) {
		return &Error{File: d.name, Line: 1, Col: 1, What: "the file is saved as UTF-16", Want: "UTF-8 text",
			Fix: "save it again from the editor with encoding UTF-8"}
	}
	b := d.body()
	if i := bytes.IndexByte(b, 0); i >= 0 {
		line, col := lineCol(b, i)
		return &Error{File: d.name, Line: line, Col: col, What: "this is not a text file: it holds a zero byte",
			Want: "UTF-8 text", Fix: "if it was a text file, restore the last saved revision"}
	}
	if !utf8.Valid(b) {
		i := 0
		for {
			r, n := utf8.DecodeRune(b[i:])
			if r == utf8.RuneError && n == 1 {
				break
			}
			i += n
		}
		line, col := lineCol(b, i)
		return &Error{File: d.name, Line: line, Col: col, What: fmt.Sprintf("byte 0x%02x is not UTF-8 text", b[i]),
			Want: "UTF-8 text", Fix: "save the file again from the editor with encoding UTF-8"}
	}
	return nil
}

func tooLarge(name string, size int64) *Error {
	return &Error{File: name, What: "the file is too large (" + sizeText(size) + ")", Want: "at most " + sizeText(MaxBytes),
		Fix: "not a file of a library; move it out, or restore the last saved revision"}
}

func sizeText(n int64) string {
	switch {
	case n >= 10<<20:
		return fmt.Sprintf("%d MiB", n>>20)
	case n >= 1<<20:
		return fmt.Sprintf("%.3g MiB", math.Ceil(float64(n)/(1<<20)*100)/100)
	case n >= 1<<10:
		return fmt.Sprintf("%d KiB", n>>10)
	}
	return fmt.Sprintf("%d bytes", n)
}

// checkSyntax reads the text once: syntax, the limits, and what TOML 1.1 has that 1.0 has not. nonFinite says whether it
// holds a NaN or an infinity; they are named later, with the keys they belong to.
func (d *Doc) checkSyntax() (nonFinite bool, err error) {
	w := walker{body: d.body()}
	fault := w.run()
	if fault == nil {
		return w.nonFinite, nil
	}
	line, col := lineCol(w.body, fault.off)
	return false, &Error{File: d.name, Line: line, Col: col, Key: w.keyNear(fault.off), What: fault.what, Want: fault.want,
		Fix: fault.fix, Cause: fault.cause}
}

// fault is an Error before it has a place in lines and columns.
type fault struct {
	off             int
	what, want, fix string
	cause           error
}

// walker goes through a text with the parser, finding where each value begins and ends, which the parser does not say for
// arrays and inline tables. With an index it also fills that in.
type walker struct {
	body      []byte
	p         *unstable.Parser
	count     int
	depth     int // of the table whose header came last
	nonFinite bool
	idx       *index
	parts     []part // of the key that was read last

	header []string // names of the header that came last, for errors
}

// keyNear is the key on the line of a fault, as far as it can be made out: "" if the line does not begin with one.
func (w *walker) keyNear(off int) string {
	line := bytes.LastIndexByte(w.body[:min(off, len(w.body))], '\n') + 1
	words := w.body[line : line+lineLen(w.body[line:])]
	name, _, ok := bytes.Cut(words, []byte("="))
	if !ok || line+len(name) > off {
		return ""
	}
	p, err := ParsePath(string(bytes.TrimSpace(name)))
	if err != nil || len(p) > MaxDepth {
		return ""
	}
	return append(pathOf(w.header), p...).String()
}

// parsers are reused from text to text, with their buffers.
var parsers = sync.Pool{New: func() any { return &unstable.Parser{KeepComments: true} }}

func (w *walker) run() *fault {
	w.p = parsers.Get().(*unstable.Parser)
	defer func() {
		w.p.Reset(nil) // it must not keep the text
		parsers.Put(w.p)
	}()
	w.p.Reset(w.body)
	for w.p.NextExpression() {
		e := w.p.Expression()
		var f *fault
		switch e.Kind {
		case unstable.Comment:
			w.comment(int(e.Raw.Offset), int(e.Raw.Offset+e.Raw.Length))
			continue
		case unstable.KeyValue:
			_, f = w.keyValue(e, w.depth, nil)
		default:
			f = w.head(e)
		}
		if f != nil {
			return f
		}
		if c := e.Next(); c.Valid() && c.Kind == unstable.Comment {
			w.comment(int(c.Raw.Offset), int(c.Raw.Offset+c.Raw.Length))
		}
	}
	var pe *unstable.ParserError
	if errors.As(w.p.Error(), &pe) {
		return syntaxFault(w.body, offsetIn(w.body, pe.Highlight), pe.Message)
	}
	return nil
}

// offsetIn is where the part begins in the whole; the parser hands out parts of its input to say where a fault is.
func offsetIn(whole, part []byte) int {
	off := cap(whole) - cap(part)
	if off < 0 || off > len(whole) {
		return 0
	}
	return off
}

func (w *walker) comment(off, end int) {
	if w.idx != nil {
		w.idx.comments = append(w.idx.comments, span{off, end})
	}
}

// one counts a key, header or element.
func (w *walker) one(off int) *fault {
	if w.count++; w.count > MaxKeys {
		return &fault{off: off, what: fmt.Sprintf("the file has more than %d keys", MaxKeys), want: "a file of a library",
			fix: "split it, or restore the last saved revision"}
	}
	return nil
}

func tooDeep(off int) *fault {
	return &fault{off: off, what: fmt.Sprintf("nested more than %d levels deep", MaxDepth),
		want: "a file of a library", fix: "take the inner ones out"}
}

// keyParts checks the names of one (dotted) key and gives where they stand.
func (w *walker) keyParts(it unstable.Iterator) (parts []part, f *fault) {
	parts = w.parts[:0]
	for it.Next() {
		n := it.Node()
		off, end := int(n.Raw.Offset), int(n.Raw.Offset+n.Raw.Length)
		if f := w.escapes(off, end); f != nil {
			return nil, f
		}
		if len(parts) == MaxDepth {
			return nil, tooDeep(off)
		}
		parts = append(parts, part{name: string(n.Data), span: span{off, end}})
	}
	w.parts = parts
	if w.idx != nil {
		parts = slices.Clone(parts) // the index keeps them
	}
	return parts, nil
}

func (w *walker) head(e *unstable.Node) *fault {
	parts, f := w.keyParts(e.Key())
	if f != nil {
		return f
	}
	if f := w.one(parts[0].off); f != nil {
		return f
	}
	w.depth, w.header = len(parts), w.header[:0]
	for _, p := range parts {
		w.header = append(w.header, p.name)
	}
	if w.idx != nil {
		w.idx.header(parts, e.Kind == unstable.ArrayTable)
	}
	return nil
}

// keyValue reads key = value, at the top level or in an inline table, and gives where the value ends.
func (w *walker) keyValue(e *unstable.Node, depth int, into *item) (end int, f *fault) {
	parts, f := w.keyParts(e.Key())
	if f != nil {
		return 0, f
	}
	if f := w.one(parts[0].off); f != nil {
		return 0, f
	}
	depth += len(parts)
	if depth > MaxDepth {
		return 0, tooDeep(parts[0].off)
	}
	start := w.skipBlank(parts[len(parts)-1].end)
	start = w.skipBlank(start + 1) // the =
	end = int(e.Raw.Offset + e.Raw.Length)
	var it *item
	if w.idx != nil {
		it = w.idx.key(into, parts, start, end)
	}
	_, f = w.value(e.Value(), start, depth, it)
	return end, f
}

func (w *walker) skipBlank(i int) int {
	for i < len(w.body) && (w.body[i] == ' ' || w.body[i] == '\t') {
		i++
	}
	return i
}

// gap skips what may stand between the elements of an array or inline table. It gives where it ended, and where the last
// comma and the first line break in it are (-1 for none).
func (w *walker) gap(i int) (end, comma, newline int) {
	comma, newline = -1, -1
	for ; i < len(w.body); i++ {
		switch w.body[i] {
		case ' ', '\t', '\r':
		case ',':
			comma = i
		case '\n':
			if newline < 0 {
				newline = i
			}
		case '#':
			off := i
			for i < len(w.body) && w.body[i] != '\n' {
				i++
			}
			w.comment(off, len(bytes.TrimSuffix(w.body[:i], []byte("\r"))))
			i--
		default:
			return i, comma, newline
		}
	}
	return i, comma, newline
}

// value checks a value that begins at start and gives where it ends.
func (w *walker) value(n *unstable.Node, start, depth int, it *item) (end int, f *fault) {
	switch n.Kind {
	case unstable.Array:
		if depth++; depth > MaxDepth {
			return 0, tooDeep(start)
		}
		pos := start + 1
		kids := n.Children()
		for i := 0; kids.Next(); {
			kid := kids.Node()
			if kid.Kind == unstable.Comment {
				continue // gap finds it, and those the parser hangs below it
			}
			pos, _, _ = w.gap(pos)
			if f := w.one(pos); f != nil {
				return 0, f
			}
			var elem *item
			if it != nil {
				elem = it.add(At(i))
				elem.keyOff, elem.valOff = pos, pos
			}
			if pos, f = w.value(kid, pos, depth, elem); f != nil {
				return 0, f
			}
			if elem != nil {
				elem.valEnd = pos
			}
			i++
		}
		pos, _, _ = w.gap(pos)
		if it != nil {
			it.kind = arrayItem
		}
		return pos + 1, nil
	case unstable.InlineTable:
		if it != nil {
			it.kind = inlineItem
		}
		pos := start + 1
		kids := n.Children()
		for kids.Next() {
			kid := kids.Node()
			if kid.Kind == unstable.Comment {
				continue
			}
			_, _, newline := w.gap(pos)
			if newline >= 0 {
				return 0, inlineBreak(newline)
			}
			if pos, f = w.keyValue(kid, depth, it); f != nil {
				return 0, f
			}
		}
		pos, comma, newline := w.gap(pos)
		if newline >= 0 {
			return 0, inlineBreak(newline)
		}
		if comma >= 0 {
			return 0, toml11(comma, "a comma before the closing brace", "no comma after the last key in { }", "remove the comma")
		}
		return pos + 1, nil
	case unstable.String:
		end = int(n.Raw.Offset + n.Raw.Length)
		return end, w.escapes(start, end)
	case unstable.Float:
		if c := n.Data[len(n.Data)-1]; c == 'n' || c == 'f' {
			w.nonFinite = true
		}
	case unstable.DateTime, unstable.LocalDateTime, unstable.LocalTime:
		if i := bytes.IndexByte(n.Data, ':'); i >= 0 && (i+3 >= len(n.Data) || n.Data[i+3] != ':') {
			return 0, toml11(start, "a time without seconds", "hours, minutes and seconds, such as 09:40:00", "add :00")
		}
	}
	return int(n.Raw.Offset + n.Raw.Length), nil
}

func toml11(off int, what, want, fix string) *fault {
	return &fault{off: off, what: what + " (TOML 1.1 has it, our files are TOML 1.0)", want: want, fix: fix}
}

func inlineBreak(off int) *fault {
	return toml11(off, "a line break between the braces", "{ } on one line", "join the lines, or use a [table] header")
}

// escapes refuses \e and \x in the string or quoted key in these bytes.
func (w *walker) escapes(off, end int) *fault {
	if w.body[off] != '"' || bytes.IndexByte(w.body[off:end], '\\') < 0 {
		return nil
	}
	for i := off; i < end; i++ {
		if w.body[i] != '\\' {
			continue
		}
		i++
		if c := w.body[i]; c == 'e' || c == 'x' {
			return toml11(i-1, `\`+string(c)+" in a text", `\u and four digits`, map[byte]string{'e': `write \u001b`, 'x': `write \u00HH for \xHH`}[c])
		}
	}
	return nil
}

// syntaxFault says a parser's complaint in words for a person on set.
func syntaxFault(body []byte, off int, message string) *fault {
	f := &fault{off: off, cause: errors.New(message)}
	f.what, f.want, f.fix = plainWords(body, off, message)
	return f
}

const anyValue = `a number, "text", true, false, a date, [a list] or { a table }`

// plainWords knows go-toml 2.4's messages by how they begin; one it does not know is passed on as it is.
func plainWords(body []byte, off int, message string) (what, want, fix string) {
	line := body[bytes.LastIndexByte(body[:min(off, len(body))], '\n')+1:]
	for _, mark := range []string{"<<<<<<< ", "|||||||", "=======", ">>>>>>> "} {
		if bytes.HasPrefix(line, []byte(mark)) {
			return "unresolved merge markers", "one of the two versions",
				"remove the lines of the other and the marks, or restore the last saved revision"
		}
	}
	for _, r := range rules {
		if strings.HasPrefix(message, r.starts) {
			what, want, fix = r.what, r.want, r.fix
			break
		}
	}
	if what == "" {
		return message, "TOML 1.0", "correct the line, or restore the last saved revision"
	}
	if strings.Contains(what, "%q") {
		r, _ := utf8.DecodeRune(body[min(off, len(body)):])
		switch {
		case strings.HasPrefix(message, "unexpected character") && strings.ContainsRune("\r\n#", r):
			return plainWords(body, off, "expected value, not end")
		case r == '\r':
			return plainWords(body, off, "carriage returns")
		}
		what = strings.Replace(what, "%q", quoteRune(r), 1)
		if r == ',' && off > 0 && isDigit(body[off-1]) {
			fix = "write a decimal point, not a comma, or make it a list: [1, 2]"
		}
	}
	return what, want, fix
}

func quoteRune(r rune) string {
	switch r {
	case '\n', '\r':
		return "the end of the line"
	case utf8.RuneError:
		return "the end of the file"
	}
	return fmt.Sprintf("%+q", r)
}

func isDigit(c byte) bool { return c >= '0' && c <= '9' }

var rules = []struct{ starts, what, want, fix string }{
	{"expected '=' after key", "a key without = and a value", "key = value", "add = and the value, or put # before a remark"},
	{"invalid character at start of key", "a key cannot begin with %q", "key = value, or [table]", `put the key in quotes, or # before a remark`},
	{"expected key but reached end", "a key is missing at the end of the file", "key = value", "finish the last line or remove it"},
	{"expected ']' to close table name", "the header of the table is not closed", "[name] alone on its line", "add ]"},
	{"expected ']]' to close array", "the header of the table is not closed", "[[name]] alone on its line", "add ]]"},
	{"expected value, not end", "the value is missing", anyValue, "add the value or remove the key"},
	{"unexpected character", "a value cannot begin with %q", anyValue, "add the value, or put text in double quotes"},
	{"strings must be quoted", "letters after a number", `a number alone, or "text"`, "no unit here (it is in the key name); put text in double quotes"},
	{"expected keyword", "a value that is not true, false, a number or a quoted text", anyValue, "put text in double quotes"},
	{"expected digit but got", "a sign without a number", "a number", "add the number or put text in double quotes"},
	{"expected number after sign", "a sign without a number", "a number", "add the number"},
	{`expected "`, "a value that is not a number", "a number", "put text in double quotes"},
	{"expected newline but got", "%q after the end of the value or header", "the end of the line", "put the next key on its own line, or # before a remark"},
	{"unterminated", "a quote that is not closed", "the closing quote on the same line", "add the closing quote"},
	{"basic strings cannot have new lines", "a quote that is not closed on its line", "the closing quote on the same line", `add the closing quote; for several lines use """`},
	{"literal strings cannot have new lines", "a quote that is not closed on its line", "the closing quote on the same line", `add the closing quote; for several lines use '''`},
	{"multiline basic string not", `a """ that is not closed`, `a closing """`, `add """ where the text ends`},
	{"multiline literal string not", "a ''' that is not closed", "a closing '''", "add ''' where the text ends"},
	{"too many quotes", "too many quotes at the end of a text", "three closing quotes", "remove the extra ones"},
	{"array is incomplete", "a list that is not closed", "a closing ]", "add ]"},
	{"expected ',' or ']'", "two values in a list with no comma between them", "a comma or ]", "add the comma or the closing ]"},
	{"expected value but got", "a comma in a list with no value before it", anyValue, "remove the comma"},
	{"inline table is incomplete", "a { that is not closed", "a closing }", "add } on the same line"},
	{"unexpected comma in inline", "a comma in { } with no key before it", "key = value", "remove the comma"},
	{"expected ',' or '}'", "two keys in { } with no comma between them", "a comma or }", "add the comma or the closing }"},
	{"arrays and inline tables are nested", "tables or lists are far too deep in each other", "a file of a library", "take the inner ones out"},
	{"number must have", "an underscore in a number without a digit on both sides", "digits, such as 1000", "remove the underscore"},
	{"integers cannot have leading", "a number that begins with 0", "a number without leading zeros, such as 7", "remove the leading zeros, or put text in double quotes"},
	{"decimal point must", "a decimal point without a digit after it", "a number such as 0.5", "add a 0 after the point"},
	{"exponent must", "an exponent without digits", "a number such as 1e6", "add the exponent's digits"},
	{"sign is not allowed", "a sign before 0x, 0o or 0b", "a plain whole number", "write it in decimal"},
	{"radix prefix", "0x, 0o or 0b without digits", "a whole number", "write it in decimal"},
	{"unable to parse float", "a number that is too large", "a number up to 1.7e308", "correct the number"},
	{"invalid escape character", `a \ that stands for nothing in a text`, `\n, \t, \", \\ or \u and four digits`, `write \\ for a backslash, or use single quotes`},
	{"need a character after", `a \ at the end of the file`, "the closing quote", "finish the text and close the quote"},
	{"unicode escape sequence", `a \u without enough digits`, `\u and four hexadecimal digits`, "add the digits"},
	{"invalid hexadecimal digit", `a \u with something that is not a hexadecimal digit`, `\u and four hexadecimal digits`, "correct the digits"},
	{"escape sequence is not a valid", `a \u that stands for no character`, "the number of a Unicode character", "correct the digits"},
	{"control characters are not allowed", "a control character in a remark", "plain text", "remove it"},
	{"basic strings cannot have control", controlInText, "plain text", controlFix},
	{"multiline basic strings cannot have control", controlInText, "plain text", controlFix},
	{"literal strings cannot have control", controlInText, "plain text", "remove it"},
	{"multiline literal strings cannot have control", controlInText, "plain text", "remove it"},
	{"carriage returns", "a carriage return alone", "a line end as Unix or Windows writes it", "save the file again with Unix line ends"},
	{"dates are expected", "not a date", "year-month-day, such as 2026-03-12", "correct the date"},
	{"impossible date", "a day that does not exist", "year-month-day, such as 2026-03-12", "correct the date"},
	{"times are expected", "not a time", "hours:minutes:seconds, such as 09:40:00", "correct the time"},
	{"hour cannot", "an hour over 23", "hours from 00 to 23", "correct the time"},
	{"minutes cannot", "a minute over 59", "minutes from 00 to 59", "correct the time"},
	{"seconds cannot", "a second over 59", "seconds from 00 to 59", "correct the time"},
	{"expected digit (0-9)", "a digit is missing in a date or time", timeWant, "correct it"},
	{"expecting colon", "a colon is missing in a time", "hours:minutes:seconds, such as 09:40:00", "correct the time"},
	{"incomplete seconds", "a time with half its seconds", "hours:minutes:seconds, such as 09:40:00", "correct the time"},
	{"need at least one digit", "a point without a digit after it in a time", "a time such as 09:40:00.5", "correct the time"},
	{"local datetimes are", "not a date and time", timeWant, "correct it"},
	{"datetime separator", "no T between date and time", timeWant, "write T, or one blank, between them"},
	{"date-time is missing timezone", "a date and time without its zone", timeWant, "add Z, or an offset such as +02:00"},
	{"invalid date-time timezone", badZone, zoneWant, "correct the zone"},
	{"invalid timezone", badZone, zoneWant, "correct the zone"},
	{"expected a : separator", badZone, zoneWant, "correct the zone"},
	{"extra", "something after the end of a date or time", timeWant, "correct the time"},
	{"hexadecimal number is too large", tooBig, bigWant, bigFix},
	{"octal number is too large", tooBig, bigWant, bigFix},
	{"binary number is too large", tooBig, bigWant, bigFix},
	{"decimal number is too large", tooBig, bigWant, bigFix},
}

const (
	tooBig  = "a whole number that is too large"
	bigWant = "one between -9223372036854775808 and 9223372036854775807"
	bigFix  = "correct the number"

	controlInText = "a control character in a text"
	controlFix    = `write it as \u and four digits, or remove it`

	timeWant = "2026-03-12, 09:40:00 or 2026-03-12T09:40:00Z"
	badZone  = "not a time zone at the end of a date and time"
	zoneWant = "Z, or an offset such as +02:00"
)

// meaningError places what go-toml refuses in a text with sound syntax: things given twice, impossible dates and numbers.
func (d *Doc) meaningError(err error) error {
	// For things given twice our own index knows both places, go-toml only a name.
	if c := d.index().clash; c != nil {
		line, col := lineCol(d.body(), c.off)
		first, _ := lineCol(d.body(), c.first)
		return &Error{File: d.name, Line: line, Col: col, Key: c.path.String(), What: fmt.Sprintf(c.what, first),
			Want: c.want, Fix: c.fix, Cause: err}
	}
	e := &Error{File: d.name, Line: 1, Col: 1, Cause: err}
	var de *gotoml.DecodeError
	if errors.As(err, &de) {
		row, bytesCol := de.Position()
		off := offsetOf(d.body(), row, bytesCol)
		e.Line, e.Col = lineCol(d.body(), off)
		e.Key = d.index().keyAt(off)
		e.What, e.Want, e.Fix = plainWords(d.body(), off, strings.TrimPrefix(de.Error(), "toml: "))
		return e
	}
	e.What, e.Want, e.Fix = plainWords(d.body(), 0, strings.TrimPrefix(err.Error(), "toml: "))
	return e
}

// checkWithSecondParser is for a text that go-toml takes and BurntSushi/toml does not.
func (d *Doc) checkWithSecondParser(err error) error {
	e := &Error{File: d.name, Line: 1, Col: 1, What: strings.TrimPrefix(err.Error(), "toml: "), Want: "TOML 1.0",
		Fix: "correct the line, or restore the last saved revision", Cause: err}
	var pe bstoml.ParseError
	if errors.As(err, &pe) {
		e.What = printable(pe.Message)
		off := min(max(pe.Position.Start, 0), len(d.body()))
		e.Line, e.Col = lineCol(d.body(), off)
		e.Key = d.index().keyAt(off)
	}
	return e
}

func (d *Doc) nonFiniteErrors() error {
	var es Errors
	body := d.body()
	d.index().root.walk(nil, func(p Path, it *item) {
		if it.kind != scalarItem || len(es) == MaxErrors {
			return
		}
		lit := string(bytes.TrimLeft(body[it.valOff:it.valEnd], "+-"))
		if lit == "nan" || lit == "inf" {
			es = append(es, d.Fault(p.String(), string(body[it.valOff:it.valEnd])+" is not a number one can set", "a finite number",
				"write the number, or remove the key"))
		}
	})
	return es.Err()
}

// lineCol is the line and column, both from 1, of a byte. Columns count characters.
func lineCol(body []byte, off int) (line, col int) {
	off = min(off, len(body))
	before := body[:off]
	start := bytes.LastIndexByte(before, '\n') + 1
	return bytes.Count(before, []byte("\n")) + 1, utf8.RuneCount(before[start:]) + 1
}

// offsetOf is the byte at a line and a column in bytes.
func offsetOf(body []byte, line, col int) int {
	off := 0
	for ; line > 1; line-- {
		i := bytes.IndexByte(body[off:], '\n')
		if i < 0 {
			return len(body)
		}
		off += i + 1
	}
	return min(off+col-1, len(body))
}
