package schema

// Type is the TOML type of a field.
type Type int

// Field types. A Float accepts integers as well.
const (
	String Type = iota
	Float
	Int
	Bool
	Date   // local date
	Time   // date-time
	Floats // array of numbers
	Strings
)

var typeNames = [...]string{"text in quotes", "a number", "a whole number", "true or false",
	"a date like 2026-03-02", "a date and time like 2026-03-02T09:30:00Z", "a list of numbers", "a list of texts"}

func (t Type) String() string { return typeNames[t] }

// Field describes one key of one kind of file. Path segments are literal, "*"
// for a name of the person's choosing, or "name[]" for an array of tables.
type Field struct {
	Path     string
	Type     Type
	Required bool
	Unit     string   // shown beside the value
	Min, Max *float64 // inclusive bounds of each number
	Above    *float64 // exclusive lower bound
	Len      int      // exact length of a list, 0 any
	Enum     []string // for a list of texts, of each item
	Pattern  string   // RE2, anchored, for text
	MaxLen   int      // characters of text, 0 means 4096; items of a list, 0 means 1000
	Doc      string   // one sentence
	Example  any      // an invented value for templates; a date or time as text
	Shown    bool     // written out in a template although not required
	// Of is the path of the parameter in whose dial numbers the value is, "" when
	// it is not in dial numbers. A parameter's own field leaves it empty.
	Of string
	// Derived marks a value that Rigkeep computes and records; a person need
	// not type it.
	Derived bool
}

// At returns a pointer to a bound.
func At(v float64) *float64 { return &v }

// Section describes a table or an array of tables of a kind of file.
type Section struct {
	Path string // pattern, "part[]" for an array of tables
	Doc  string // one sentence
	// Optional says that the table may be absent although keys in it are
	// required: they are required where the table is there.
	Optional bool
	Shown    bool // written out in a template although optional
	Min, Max int  // how many elements an array of tables takes, Max 0 for any number
	// ID lists, for an array of tables, the keys that say which element is which
	// when two versions of a file are laid beside each other; Tie lists the keys
	// that tell elements apart which ID does not.
	ID, Tie []string
}

// Kind is one kind of file with its fields.
type Kind struct {
	Name     string
	Title    string
	Doc      string
	Fields   []Field
	Sections []Section
	root     *node
}
