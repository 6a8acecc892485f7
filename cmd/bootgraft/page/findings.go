package page

import (
	"fmt"
	"slices"

	"bootgraft/cmd/bootgraft/page/report"
	"bootgraft/cmd/bootgraft/talk"
	"bootgraft/image/disk"
)

// nothingWrong is said where there is no finding.
const nothingWrong = "Nothing found wrong."

// Findings lists findings, the gravest first.
func Findings(u *talk.UI, findings []disk.Finding) {
	if len(findings) == 0 {
		u.Answerf("\n%s\n", nothingWrong)
		return
	}
	u.Answerf("\nFindings:\n")
	for _, f := range gravest(findings) {
		showFinding(u, f)
	}
}

// gravest returns findings in the order in which they are shown: the gravest first.
func gravest(all []disk.Finding) []disk.Finding {
	order := []disk.Severity{disk.Refusal, disk.Warning, disk.Note}
	return slices.SortedStableFunc(slices.Values(all), func(a, b disk.Finding) int {
		return slices.Index(order, a.Severity) - slices.Index(order, b.Severity)
	})
}

func showFinding(u *talk.UI, f disk.Finding) {
	at := sectorOf(&f)
	if at != "" {
		at = fmt.Sprintf(" (sector %s)", at)
	}
	u.Wrapped(fmt.Sprintf("  %-9s", graveText(&f)), fmt.Sprintf("%s%s: %s", f.Code, at, f.Text))
}

// graveText is how grave a finding is, or that it was accepted.
func graveText(f *disk.Finding) string {
	if f.Accepted {
		return "accepted"
	}
	return string(f.Severity)
}

// sectorOf is the sector of a finding, or nothing.
func sectorOf(f *disk.Finding) string {
	if f.Sector == disk.NoSector {
		return ""
	}
	return disk.Grouped(f.Sector)
}

// findingsPart lists findings, the gravest first.
func findingsPart(all []disk.Finding) report.Part {
	if len(all) == 0 {
		return report.NewPart("Findings", report.Text(nothingWrong))
	}
	list := gravest(all)
	return report.NewPart("Findings", report.TableOf("how grave | code | sector> | what", len(list), func(i int) []string {
		return []string{graveText(&list[i]), string(list[i].Code), sectorOf(&list[i]), list[i].Text}
	}))
}
