"""A second, independent implementation of a rig's fingerprint, after DEVELOPERS.md alone.

usage: fingerprint.py VECTORS.json     prints "fingerprint<TAB>canonical text as JSON" a line
"""
import hashlib, json, math, re, sys
from decimal import Decimal, ROUND_HALF_UP

ALPHABET = "0123456789abcdefghjkmnpqrstvwxyz"


def fold(s):
    s = re.sub(r"[\t-\r ]+", " ", s).strip(" ")
    s = "".join(chr(ord(c) + 32) if "A" <= c <= "Z" else c for c in s)
    return s.replace("\\", "\\\\").replace("|", "\\|")


def whole(x):
    return int(Decimal(x).quantize(Decimal(1), rounding=ROUND_HALF_UP))  # halves away from zero


def canonical(rig):
    lines = []
    for p in rig["parts"]:
        steps = (whole(p["mass_kg"] * 1e9) + 2_500_000) // 5_000_000
        place = [(whole(v / 1000 * 1e6) + 500) // 1000 for v in p["place_mm"]]
        lines.append("part|%s|%s|%d|%d|%d|%d\n" % (fold(p["slot"]), fold(p["name"]), steps, *place))
    lines.sort(key=lambda s: s.encode())
    return "rigkeep-rig-1\ngimbal|%s\n%s" % (fold(rig["gimbal"]), "".join(lines))


def fingerprint(text):
    bits = int.from_bytes(hashlib.sha256(text.encode()).digest(), "big") >> (256 - 50)
    return "".join(ALPHABET[bits >> (45 - 5 * i) & 31] for i in range(10))


for rig in json.load(open(sys.argv[1], encoding="utf-8")):
    text = canonical(rig)
    print(fingerprint(text) + "\t" + json.dumps(text))
