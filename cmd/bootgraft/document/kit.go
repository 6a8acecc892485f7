package document

import (
	"bootgraft/image/disk"
	"bootgraft/layout"
	"bootgraft/layout/kit"
	"bootgraft/layout/kit/gather"
)

// KitMake says what went into a new kit.
type KitMake struct {
	Head
	Kit           string      `json:"kit"`
	Bytes         int64       `json:"bytes"`
	SHA256        string      `json:"sha256"`
	StoredSectors disk.Sector `json:"stored_sectors"`
	Manifest      Manifest    `json:"manifest"`
	TextsFound    int         `json:"texts_found"`
	Texts         []Text      `json:"texts"`
	Findings      []Finding   `json:"findings"`
}

// NewKitMake is the answer of kit make, of a file of so many bytes.
func NewKitMake(path string, bytes int64, sha256 string, k *gather.Made, m *kit.Manifest) *KitMake {
	return &KitMake{New(KindKitMake), path, bytes, sha256, m.Stored(), manifest(m), k.AllTexts, texts(k.Texts), findings(k.Findings)}
}

// KitShow says what is in a kit.
type KitShow struct {
	Head
	Kit           string      `json:"kit"`
	Bytes         int64       `json:"bytes"`
	StoredSectors disk.Sector `json:"stored_sectors"`
	Manifest      Manifest    `json:"manifest"`
	TextsFound    int         `json:"texts_found"`
	Texts         []Text      `json:"texts"`
}

// NewKitShow is the answer of kit show, with the first of so many strings.
func NewKitShow(path string, bytes int64, m *kit.Manifest, some []kit.Text, all int) *KitShow {
	return &KitShow{New(KindKitShow), path, bytes, m.Stored(), manifest(m), all, texts(some)}
}

// KitAsk is the page for somebody whose unit works.
type KitAsk struct {
	Head
	HeadSectors disk.Sector `json:"head_sectors"`
	TailSectors disk.Sector `json:"tail_sectors"`
	SectorSize  int         `json:"sector_size"`
	Page        string      `json:"page"`
}

// NewKitAsk is the answer of kit ask.
func NewKitAsk(head, tail disk.Sector, sectorSize int, page string) *KitAsk {
	return &KitAsk{New(KindKitAsk), head, tail, sectorSize, page}
}

// Manifest says what a kit holds, in the form of the file in it: a list that is
// empty there may be null.
type Manifest struct {
	Kind        string      `json:"kind"`
	Schema      int         `json:"schema"`
	WrittenBy   string      `json:"written_by,omitempty"`
	Sectors     disk.Sector `json:"sectors"`
	SectorSize  int         `json:"sector_size"`
	FactsOnly   bool        `json:"facts_only"`
	LayoutKnown bool        `json:"layout_known"`
	Drive       string      `json:"drive"`
	Notes       []string    `json:"notes"`
	Spans       []KitSpan   `json:"spans"`
	Identity    []Mark      `json:"identity"`
	Blanked     []Mark      `json:"blanked"`
	Masked      []Mark      `json:"masked,omitempty"`
	Facts       Facts       `json:"facts"`
	Rules       *RulesFile  `json:"rules,omitempty"`
}

// KitSpan is a run of sectors that a kit names.
type KitSpan struct {
	disk.Span
	From   layout.Anchor `json:"from"`
	What   string        `json:"what"`
	State  kit.State     `json:"state"`
	Fill   byte          `json:"fill"`
	SHA256 string        `json:"sha256,omitempty"`
}

// Mark is a run of bytes that tells a drive from others, or names something.
type Mark struct {
	Sector disk.Sector `json:"sector"`
	Offset int         `json:"offset"`
	Count  int         `json:"count"`
	What   string      `json:"what"`
}

// Facts are what a survey found, without names and labels.
type Facts struct {
	Table   string      `json:"table"`
	Entries []KitEntry  `json:"entries"`
	Volumes []KitVolume `json:"volumes"`
	Regions []KitRegion `json:"regions"`
	Fields  []Field     `json:"fields"`
}

// KitEntry is an entry of the table of the drive.
type KitEntry struct {
	disk.Span
	Index    int    `json:"index"`
	Type     string `json:"type"`
	Active   bool   `json:"active"`
	Extended bool   `json:"extended"`
}

// KitVolume is a volume of the drive.
type KitVolume struct {
	disk.Span
	Index        int    `json:"index"`
	Kind         string `json:"kind"`
	ClusterBytes int64  `json:"cluster_bytes"`
}

// KitRegion is a region of the drive.
type KitRegion struct {
	disk.Span
	Role     layout.Role   `json:"role"`
	From     layout.Anchor `json:"from"`
	NonBlank disk.Sector   `json:"nonblank_sectors"`
	Unread   disk.Sector   `json:"unread_sectors"`
}

// RulesFile is the rule file in a kit.
type RulesFile struct {
	Bytes  int64  `json:"bytes"`
	SHA256 string `json:"sha256"`
}

func texts(all []kit.Text) []Text { return each(all, func(t kit.Text) Text { return Text(t) }) }

func manifest(m *kit.Manifest) Manifest {
	mark := func(x kit.Mark) Mark { return Mark(x) }
	return Manifest{
		Kind: m.Kind, Schema: m.Schema, WrittenBy: m.WrittenBy, Sectors: m.Sectors, SectorSize: m.SectorSize,
		FactsOnly: m.FactsOnly, LayoutKnown: m.LayoutKnown, Drive: m.Drive, Notes: m.Notes,
		Spans:    orNull(m.Spans, func(x kit.Span) KitSpan { return KitSpan(x) }),
		Identity: orNull(m.Identity, mark), Blanked: orNull(m.Blanked, mark), Masked: orNull(m.Masked, mark),
		Facts: Facts{
			Table:   m.Facts.Table,
			Entries: orNull(m.Facts.Entries, func(x kit.Entry) KitEntry { return KitEntry(x) }),
			Volumes: orNull(m.Facts.Volumes, func(x kit.Volume) KitVolume { return KitVolume(x) }),
			Regions: orNull(m.Facts.Regions, func(x kit.Region) KitRegion { return KitRegion(x) }),
			Fields:  orNull(m.Facts.Fields, field),
		},
		Rules: (*RulesFile)(m.Rules),
	}
}

// orNull is each for a list that may be null.
func orNull[T, U any](list []T, document func(T) U) []U {
	if list == nil {
		return nil
	}
	return each(list, document)
}
