// Package record is the record of a capture: its lines, each proved by a checksum
// over all before it; how they are read, written, and saved from a record that is
// damaged; what they say together of each sector (Record), whether the image bears
// that out, and the image as a source in which only that is known (Source). The
// engine that reads a drive is package capture.
//
// A record is lines of ASCII text, each of the same four parts:
//
//	+----------+---+--------------------------------------------+----+
//	| 3931422b |   | good 128512+33 8aacb83c885c325f122c9936... | \n |
//	+----------+---+--------------------------------------------+----+
//	  digits   blank  text: a verb, then fields, a blank apart    newline
//
// The digits are the CRC-32 (IEEE 802.3, as in RFC 1952) of the texts of all
// lines up to and with this one, newlines in and digits out; so they are also the
// CRC-32 of this text alone, begun from the digits of the line before. Two lines
// side by side prove the second, and one wrong byte can be found from them: that
// is all that the reading of a damaged record rests on.
//
//	+---------------+  words for people, the same in every record
//	| opening       |  record VERSION
//	|               |  disk SECTORS BYTES
//	|               |  drive "MODEL" "SERIAL" "BUS" fixed|removable
//	|               |  missing-as pattern|zero
//	+---------------+
//	| run 1         |  run N TIME
//	|               |  good SPAN SHA256         at most 1 MiB, and across no MiB
//	|               |  unstable SPAN N:SHA256:BASE64 ...
//	|               |  missing|failed|tight|weak SPAN FAULT
//	|               |  left|skipped|wanted|hung SPAN
//	|               |  again SPAN N             origin SPAN N
//	|               |  about SPAN ...           answered
//	|               |  silent SPAN              same
//	|               |  sync LINE                clock READS FAILED MILLISECONDS
//	|               |  gone FAULT               stop WORD
//	|               |  from N "NAME"            end SHA256 BYTES
//	+---------------+
//	| run 2 ...     |
//	+---------------+
//
// SPAN is START+COUNT in sectors. A line overrules what earlier lines say of its
// sectors. Of the order of lines and data this is promised: an announcement
// (about) is durable before its reads begin; data are in the image before the
// line that says so; what lies before line LINE of a mark (sync LINE) is durable
// with its data. Only one thing is ever taken away: an announcement at the very
// end, before the next one or the line of what came of its reads is written. A
// last line that is not whole is left out.
//
// What must not change while the version stays: the parts of a line and how the
// digits are counted, the verbs and their fields (see forms), the grid of 1 MiB,
// the longest line of 64 KiB, and the text of the fill in the image.
package record
