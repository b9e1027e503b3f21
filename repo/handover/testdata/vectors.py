"""A second, independent reader of examples/vectors, after DEVELOPERS.md and README.md alone.

usage: vectors.py FOLDER     says with how many vectors it agrees, or where it does not
"""
import hashlib, json, os, re, struct, subprocess, sys, tempfile, tomllib, zlib
from decimal import Decimal, ROUND_HALF_UP

ALPHABET = "0123456789abcdefghjkmnpqrstvwxyz"


def digest(text):
    bits = int.from_bytes(hashlib.sha256(text.encode()).digest(), "big") >> (256 - 50)
    return "".join(ALPHABET[bits >> (45 - 5 * i) & 31] for i in range(10))


def fold(s):
    s = re.sub(r"[\t-\r ]+", " ", s).strip(" ")
    s = "".join(chr(ord(c) + 32) if "A" <= c <= "Z" else c for c in s)
    return s.replace("\\", "\\\\").replace("|", "\\|")


def whole(x):
    return int(Decimal(x).quantize(Decimal(1), rounding=ROUND_HALF_UP))


def canonical(rig):
    parts = rig["part"]
    steps = lambda p: (whole(p["mass_kg"] * 1e9) + 2_500_000) // 5_000_000

    def lines(origin):
        out = []
        for p in parts:
            at = ["?"] * 3
            if origin and p.get("place_mm"):
                at = [(whole((v / 1000 - o / 1000) * 1e6) + 2500) // 5000 for v, o in zip(p["place_mm"], origin)]
            out.append("part|%s|%s|%d|%s|%s|%s\n" % (fold(p["slot"]), fold(p["name"]), steps(p), *at))
        return "".join(sorted(out, key=lambda s: s.encode()))

    placed = [p for p in parts if p.get("place_mm")]
    most = max((steps(p) for p in placed), default=None)
    origins = [p["place_mm"] for p in placed if steps(p) == most] or [None]
    head = "rigkeep-rig-1\ngimbal|%s\n" % fold(rig["gimbal"])
    return min((head + lines(o) for o in origins), key=lambda s: s.encode())


def number(v):
    if isinstance(v, bool):
        return "true" if v else "false"
    if isinstance(v, (int, float)):
        return str(int(v)) if float(v).is_integer() else format(Decimal(repr(float(v))), "f")
    return v if isinstance(v, str) else "[" + " ".join(number(x) for x in v) + "]"


def flat(tree, at=""):
    for k, v in tree.items():
        if isinstance(v, dict):
            yield from flat(v, at + k + ".")
        else:
            yield at + k, v


def values(pairs):
    return digest("rigkeep-values-1\n" + "".join("%s=%s\n" % (k, number(v)) for k, v in sorted(pairs.items(), key=lambda x: x[0].encode())))


class Refused(Exception):
    pass


def need(ok, why):
    if not ok:
        raise Refused(why)


def members(data):
    """The members of a handover's zip, which has one form only: members one behind the other, then the list of them, then the end."""
    need(len(data) > 22 and data[-22:-18] == b"PK\5\6" and data[-2:] == b"\0\0", "no end record at the end")
    disk, first, here, count, size, start = struct.unpack("<HHHHII", data[-18:-2])
    need((disk, first, here) == (0, 0, count) and start + size + 22 == len(data), "the list of members is not just before the end")
    at, behind, out = start, 0, {}
    for _ in range(count):
        need(data[at:at + 4] == b"PK\1\2", "no member here")
        made, wants, flags, method, time, date, crc, packed, plain, n, extra, note, disk, inner, outer, offset = struct.unpack("<HHHHHHIIIHHHHHII", data[at + 4:at + 46])
        name = data[at + 46:at + 46 + n]
        need((flags, extra, note, disk) == (0, 0, 0, 0) and method in (0, 8), "something in a member's head that does not belong there")
        need(offset == behind and data[offset:offset + 4] == b"PK\3\4", "members are not one behind the other")
        local = struct.unpack("<HHHHHIIIHH", data[offset + 4:offset + 30])
        need(local == (wants, flags, method, time, date, crc, packed, plain, n, 0) and data[offset + 30:offset + 30 + n] == name, "two heads that differ")
        body = data[offset + 30 + n:offset + 30 + n + packed]
        if method == 8:
            z = zlib.decompressobj(-15)
            try:
                body = z.decompress(body, plain + 1)
            except zlib.error as e:
                raise Refused(str(e))
            need(z.eof and not z.unused_data, "packed data that does not end with the member")
        need(len(body) == plain and zlib.crc32(body) == crc, "size or check sum of " + repr(name))
        need(name.decode() not in out, "a member twice")
        out[name.decode()] = body
        behind, at = offset + 30 + n + packed, at + 46 + n
    need(behind == start and at == start + size, "something between the members and their list")
    return out


def once(pairs):
    need(len(dict(pairs)) == len(pairs), "a key twice in the manifest")
    return dict(pairs)


KEYS = ["format", "kind", "tool", "sender", "revision", "time", "tip", "note", "rigs", "members"]


def handover(data):
    """The members and the manifest of a sound handover."""
    ms = members(data)
    need("manifest.json" in ms and "SHA256SUMS" in ms, "no manifest or no sums")
    m = json.loads(ms["manifest.json"], object_pairs_hook=once)
    need(list(m) == KEYS and m["format"] == 1 and m["kind"] == "rigkeep-handover", "not a manifest that is known here")
    told = {x["name"]: x for x in m["members"]}
    rest = set(ms) - {"manifest.json", "manifest.json.sig", "SHA256SUMS"}
    need(set(told) == rest and {"README.txt", "card.html", "history.bundle"} <= rest, "other members than the manifest names")
    for name, x in told.items():
        need(len(ms[name]) == x["size"] and hashlib.sha256(ms[name]).hexdigest() == x["sha256"], name + " is not as the manifest says")
    sums = "".join(sorted("%s  %s\n" % (hashlib.sha256(ms[n]).hexdigest(), n) for n in ms if n not in ("SHA256SUMS", "manifest.json.sig")))
    need("".join(sorted(ms["SHA256SUMS"].decode().splitlines(True))) == sums, "SHA256SUMS")
    return ms, m


def trusted(ms, m, signers, on):
    """Whether ssh-keygen, which any machine with OpenSSH has, accepts the signature."""
    with tempfile.NamedTemporaryFile() as f:
        f.write(ms["manifest.json.sig"])
        f.flush()
        p = subprocess.run(["ssh-keygen", "-Y", "verify", "-f", signers, "-I", m["sender"]["email"], "-n", "rigkeep-handover@v1", "-s", f.name,
                            "-O", "verify-time=" + on.replace("-", "")], input=ms["manifest.json"], capture_output=True)
    return p.returncode == 0


def main(folder):
    v = json.load(open(os.path.join(folder, "vectors.json"), encoding="utf-8"))
    at = lambda name: os.path.join(folder, *name.split("/"))
    faults, agreed = [], 0
    for r in v["rigs"]:
        text = canonical(tomllib.load(open(at(r["file"]), "rb")))
        ok = text == r["canonical"] and digest(text) == r["fingerprint"]
        agreed += ok
        ok or faults.append("%s: %s\n%s" % (r["file"], digest(text), text))
    for u in v["tunes"]:
        have = {k: x for k, x in flat(tomllib.load(open(at(u["file"]), "rb"))) if k in u["keys"]}
        ok = values(have) == u["digest"] and len(have) == len(u["keys"])
        for g, want in u["groups"].items():
            ok = ok and values({k: x for k, x in have.items() if u["in"][k] == g}) == want
        agreed += ok
        ok or faults.append("%s: %s of %s" % (u["file"], values(have), have))
    for h in v["handovers"]:
        try:
            ms, m = handover(open(at(h["file"]), "rb").read())
            said, ok = "sound", h["accept"] and hashlib.sha256(ms["manifest.json"]).hexdigest() == h["digest"]
            if ok and h.get("signers"):
                ok = trusted(ms, m, at(h["signers"]), h["on"]) == h["trusted"]
                said = "sound, and the signature is judged otherwise"
        except Refused as e:
            said, ok = "refused: %s" % e, not h["accept"]
        agreed += ok
        ok or faults.append("%s (%s): %s" % (h["file"], h["what"], said))
    print("\n".join(faults) if faults else "agrees with %d" % agreed)
    return 1 if faults else 0


sys.exit(main(sys.argv[1]))
