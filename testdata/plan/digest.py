# Prints the check number of the plan file named on the command line, from the
# description of Digest in digest.go and the standard library of Python alone.
import base64
import hashlib
import json
import struct
import sys

with open(sys.argv[1], encoding="utf-8") as f:
    plan = json.load(f)

h = hashlib.sha256(b"bootgraft plan %d" % plan["schema"])


def number(n):
    h.update(struct.pack(">Q", n & 0xFFFFFFFFFFFFFFFF))


def text(s):
    b = s.encode("utf-8")
    number(len(b))
    h.update(b)


if plan["schema"] > 1:
    text(plan["written_by"])
target, source = plan["target"], plan["source"]
number(target["sectors"])
number(target["sector_size"])
number(source["sectors"])
number(source["sector_size"])
text(source["path"])
text(source["digest"])
number(len(source["meaning"]))
for s in source["meaning"]:
    number(s["start"])
    number(s["count"])
number(len(plan["pieces"]))
for p in plan["pieces"]:
    number(p["start"])
    number(p["count"])
    number(p.get("from", 0))
    number(p["rank"])
    text(p["op"])
    text(p["why"])
number(len(plan["dropped"]))
for d in plan["dropped"]:
    number(d["start"])
    number(d["count"])
    text(d["role"])
    text(d["name"])
    text(d["why"])
number(len(plan["findings"]))
for f in plan["findings"]:
    text(f["code"])
    text(f["severity"])
    number(-1 if f["sector"] is None else f["sector"])
    text(f["text"])
    number(1 if f["accepted"] else 0)
rendered = b"".join(base64.b64decode(s, validate=True) for s in plan["rendered"])
number(len(rendered))
h.update(rendered)
if "sees" in plan:
    number(plan["sees"])
if "choices" in plan:
    text("choices")
    number(len(plan["choices"]))
    for c in plan["choices"]:
        text(c)
print(h.hexdigest())
