package main

import "bootgraft/cmd/bootgraft/input"

const planLead = `Maps a drive onto a card of another size and says, sector by sector, where
every byte of the card will come from. Nothing is written but the plan file.

  bootgraft plan old.img --size common                     which card to buy
  bootgraft plan old.img --size 31116288s -o card.plan     sectors of the card
  bootgraft plan old.img --target card.img -o card.plan    size of an image file
  bootgraft plan old.img --size 31116288s --report p.html  a page to print

What it refuses it says, with the line that goes on. About the tail, volumes,
rules, tries and every option: bootgraft help plan options`

const planHelp = `Maps a drive onto a card of another size and says, sector by sector, where
every byte of the card will come from. What need not change is copied as it is.
Nothing is written but the plan file.

Examples:

  bootgraft plan old.img --size 31116288s -o card.plan     sectors of the card
  bootgraft plan old.img --target card.img -o card.plan    size of an image file
  bootgraft plan old.img --size 32GB                       what would fit
  bootgraft plan old.img --size 8GB,16GB,32GB              which card to buy
  bootgraft plan old.img --size common                     of all usual sizes
  bootgraft plan --like card.plan --target next.img -o next.plan
  bootgraft plan good.img --identity own.img --size 31116288s -o own.plan

A plan remembers what was decided for it. With --like the same is decided for
another card, and the differences are listed; what is asked anew stays a question.
With --identity a card that is made from one unit keeps the identifiers of
another; serial numbers, pairing and parameters of a machine are not among them.

The tail is what lies after the last volume, up to the end of the disk. Firmware
counts it from the end or from the start, and few manuals say which:

  --tail both         at its old address and at the new end (larger cards)
  --tail end          at the new end only (smaller cards)
  --tail same-place   at its old address only: the card may not start if the
                      firmware looks at the end
  --tail drop         not at all: the card may not start

A device may see fewer sectors than the card has, because a jumper, a clip or its
own firmware says so. With --device-sees N everything that follows from the size
(tail, second table, volumes, numbers of the rules) is planned for the end that
the device sees; the rest of the card belongs to nobody. The plan keeps N: starts
and serve follow it.

` + rulesHelp + "\n" + input.VolumeHelp

const rulesHelp = `A device that keeps its own head and tail may name the size of the disk there.
What other originals of the model prove about that is applied with

  --rules RULES       from: bootgraft compare A B C -o RULES
  --try N             where not all that may follow the size is proved, the N-th
                      try that the plan lists, instead of the first, or of the
                      rules

Sectors that the rules change are made new; all other bytes of head and tail are
copied from the source. The planned card is looked at again, and must follow
every rule. What is not decided has to be accepted with --accept
rules-undecided.
`
