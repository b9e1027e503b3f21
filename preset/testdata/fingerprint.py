"""A second, independent implementation of a rig's fingerprint, after examples/vectors/FINGERPRINT.md alone.

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


def steps(part):
    return (whole(part["mass_kg"] * 1e9) + 2_500_000) // 5_000_000


def lines(parts, origin):
    out = []
    for p in parts:
        at = ["?"] * 3
        if origin and p.get("balance_mm"):
            at = [(whole((v / 1000 - o / 1000) * 1e6) + 2500) // 5000 for v, o in zip(p["balance_mm"], origin)]
        out.append("part|%s|%s|%d|%s|%s|%s\n" % (fold(p["slot"]), fold(p["name"]), steps(p), *at))
    return "".join(sorted(out, key=lambda s: s.encode()))


def canonical(rig):
    head = "rigkeep-rig-1\ngimbal|%s\n" % fold(rig["gimbal"])
    placed = [p for p in rig["parts"] if p.get("balance_mm")]
    most = max((steps(p) for p in placed), default=None)
    origins = [p["balance_mm"] for p in placed if steps(p) == most] or [None]
    return min((head + lines(rig["parts"], o) for o in origins), key=lambda s: s.encode())


def fingerprint(text):
    bits = int.from_bytes(hashlib.sha256(text.encode()).digest(), "big") >> (256 - 50)
    return "".join(ALPHABET[bits >> (45 - 5 * i) & 31] for i in range(10))


for rig in json.load(open(sys.argv[1], encoding="utf-8")):
    text = canonical(rig)
    print(fingerprint(text) + "\t" + json.dumps(text))
