package document

// Demo is the answer of demo: what it typed, and where its files lie.
type Demo struct {
	Head
	Folder string     `json:"folder"`
	Steps  []DemoStep `json:"steps"`
}

// DemoStep is one step of the job.
type DemoStep struct {
	Title    string        `json:"title"`
	Commands []DemoCommand `json:"commands"`
}

// DemoCommand is one command of a step, which ended as it was meant to end.
type DemoCommand struct {
	Typed []string `json:"typed"` // without the name of the program
	Exit  int      `json:"exit"`
}

// NewDemo begins the answer.
func NewDemo(folder string) *Demo {
	return &Demo{Head: New(KindDemo), Folder: folder, Steps: []DemoStep{}}
}
