package demo

import (
	"fmt"

	"bootgraft/cmd/bootgraft/talk"
)

// siblings compares the drives of four units of another invented device.
func (d *demo) siblings() error {
	d.title("A device that keeps a layout of its own")
	d.tell(
		"The Bramble Eight, an invented tabletop multitrack, knows neither partitions nor files. " +
			"Its system area holds the size of the disk in three places and a checksum over one of them, " +
			"and is repeated at the end of the disk. A card of another size needs all of that changed, " +
			"and nothing else. Nobody has its manual; but there are four units, with disks of three sizes: " +
			"the two of one size tell what belongs to the unit.")
	args := []string{"compare"}
	for _, m := range modelDrives {
		if err := makeModelDrive(d.path(m.file), m.sectors, m.serial); err != nil {
			return fmt.Errorf("making the drive of an invented device: %w", err)
		}
		args = append(args, d.path(m.file))
	}
	if err := d.typed(talk.ExitDone, ofCompare, append(args, "--for", fmt.Sprintf("%ds", modelCard), "-o",
		d.path("bramble.rules"))...); err != nil {
		return err
	}
	d.tell("Its songs are no files either. They are found by what they are, and written out:")
	return d.typed(talk.ExitDone, ofSound, "files", d.path(modelDrives[0].file), "--sound", "--to", d.path("songs"))
}

// fourthSize puts one of them onto a card of a size that no unit has.
func (d *demo) fourthSize() error {
	d.title("A card of a fourth size, by the rules")
	d.tell("First as it is. That costs nothing to try, but this device compares the size that it finds with that " +
		"of the card:")
	drive := d.path(modelDrives[0].file)
	size := fmt.Sprintf("%ds", modelCard)
	plan, img := d.path("verbatim.plan"), d.path("verbatim-card.img")
	for _, args := range [][]string{{"plan", drive, "--size", size, "-o", plan}, {"write", plan, img}} {
		if err := d.typed(talk.ExitDone, ofVerb[args[0]], args...); err != nil {
			return err
		}
	}
	if err := d.switchOn(img, false); err != nil {
		return err
	}
	d.ui.Answerf("\n")
	d.tell("Now by the rules. Only what they prove is made new, in both copies; the planned card is looked at again " +
		"before it is written.")
	plan, img = d.path("bramble.plan"), d.path("bramble-card.img")
	for _, args := range [][]string{{"plan", drive, "--size", size, "--rules", d.path("bramble.rules"), "-o", plan},
		{"write", plan, img}, {"verify", plan, img}} {
		if err := d.typed(talk.ExitDone, ofVerb[args[0]], args...); err != nil {
			return err
		}
	}
	return d.switchOn(img, true)
}

// switchOn plays the start of the invented multitrack with a card in it.
func (d *demo) switchOn(img string, starts bool) error {
	d.ui.Answerf("\nThe card is put into the Bramble Eight, and it is switched on:\n")
	err := startModel(img)
	if (err == nil) != starts {
		return fmt.Errorf("the demonstration expected that the invented device starts: %v; it says: %w", starts, err)
	}
	if err != nil {
		d.ui.Answerf("  %s\n", err)
		return nil
	}
	d.ui.Answerf("  BRAMBLE EIGHT READY\n")
	return nil
}
