package blockdev

import (
	"errors"
	"strings"
	"testing"

	"bootgraft/image"
)

// A property list as plist(5) says, with an invented disk in the keys of
// diskutil info -plist, from memory.
const invented = `<?xml version="1.0" encoding="UTF-8"?>
<!DOCTYPE plist PUBLIC "-//Apple//DTD PLIST 1.0//EN" "http://www.apple.com/DTDs/PropertyList-1.0.dtd">
<plist version="1.0">
<dict>
	<key>BusProtocol</key>
	<string>USB</string>
	<key>DeviceBlockSize</key>
	<integer>512</integer>
	<key>DeviceIdentifier</key>
	<string>disk9</string>
	<key>SMARTDeviceSpecificKeysMayVaryNotGuaranteed</key>
	<dict>
		<key>BusProtocol</key>
		<string>not this one</string>
	</dict>
	<key>Names</key>
	<array><string>nor</string><dict><key>Size</key><integer>1</integer></dict></array>
	<key>IORegistryEntryName</key>
	<string>Invented Reader &amp; Co Media</string>
	<key>RemovableMedia</key>
	<true/>
	<key>TotalSize</key>
	<integer>268369920</integer>
	<key>WritableMedia</key>
	<false/>
</dict>
</plist>
`

func TestWhatDiskutilTells(t *testing.T) {
	p, err := readPlist(strings.NewReader(invented))
	if err != nil {
		t.Fatal(err)
	}
	want := image.Identity{Model: "Invented Reader & Co", Bus: "usb", Removable: true}
	if id := p.identity(); id != want {
		t.Errorf("%+v, want %+v", id, want)
	}
	if p.sectors() != 524160 || p.sectorSize() != 512 || !p.readOnly() {
		t.Errorf("%d sectors of %d, read-only %v", p.sectors(), p.sectorSize(), p.readOnly())
	}
	// Nobody answered: everything is empty, and nothing fails.
	none := plist(nil)
	if none.identity() != (image.Identity{}) || none.sectors() != 0 || none.sectorSize() != 512 || none.readOnly() {
		t.Errorf("of no answer: %+v, %d", none.identity(), none.sectors())
	}
	for _, odd := range []plist{
		{"TotalSize": "-1"}, {"TotalSize": "99999999999999999999"}, {"DeviceBlockSize": "0", "TotalSize": "x"},
	} {
		if n := odd.sectors(); n != 0 {
			t.Errorf("%v: %d sectors", odd, n)
		}
	}
}

func TestWhatIsNoPlist(t *testing.T) {
	for _, text := range []string{"", "Could not find disk: disk9\n", "<plist></plist>", "<plist><array/></plist>", "<html/>",
		invented[:len(invented)/2]} {
		if p, err := readPlist(strings.NewReader(text)); !errors.Is(err, errNoPlist) {
			t.Errorf("%.20q: %v, %v", text, p, err)
		}
	}
}
