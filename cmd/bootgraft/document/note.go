package document

// Note says which line was added to which file.
type Note struct {
	Head
	File string `json:"file"`
	Line string `json:"line"`
}

// NewNote is the answer of note.
func NewNote(file, line string) *Note { return &Note{New(KindNote), file, line} }
