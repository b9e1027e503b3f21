"""A second, independent reader of examples/vectors, after FINGERPRINT.md and README.md alone.

usage: vectors.py FOLDER     says with how many vectors it agrees, or where it does not
"""
import hashlib, json, math, os, re, struct, subprocess, sys, tempfile, tomllib, zlib
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


def matrix(deg):
    """Turned about x, then y, then z, the axes staying where they are."""
    (sa, ca), (sb, cb), (sc, cc) = ((math.sin(math.radians(d)), math.cos(math.radians(d))) for d in deg)
    return [[cc * cb, cc * sb * sa - sc * ca, cc * sb * ca + sc * sa], [sc * cb, sc * sb * sa + cc * ca, sc * sb * ca - cc * sa], [-sb, cb * sa, cb * ca]]


def times(a, b):
    return [[sum(a[i][k] * b[k][j] for k in range(3)) for j in range(3)] for i in range(3)]


def beyond(origin, axes, v):
    return [origin[i] + sum(axes[i][k] * v[k] for k in range(3)) for i in range(3)]


def balance_points(parts):
    """Of each part in the build, mm; None where it is not known."""
    if not any("on" in p or "mount" in p for p in parts):
        return [p.get("place_mm") for p in parts]
    mounts = [(i, n) for i, p in enumerate(parts) for n in p.get("mount", {})]
    on = {}
    for i, p in enumerate(parts):
        if "on" in p:
            slot, name = p["on"].split(".")
            on[i] = next((j, n) for j, n in mounts if parts[j]["slot"] == slot and n == name)
    for i, p in enumerate(parts):
        free = [m for m in mounts if m not in on.values() and m[0] != i and p["slot"] in parts[m[0]]["mount"][m[1]].get("takes", [])]
        if i not in on and free:
            on[i] = free[0]
    none = [0.0, 0.0, 0.0]
    if len(parts) - len(on) > 1:  # several that sit on nothing: where they lie from each other is not known
        return [None] * len(parts)

    def seat(i):
        own = matrix(parts[i].get("turn_deg", none))
        if i not in on:
            return none, own
        j, name = on[i]
        mount = parts[j]["mount"][name]
        origin, axes = seat(j)
        there = times(axes, matrix(mount.get("turn_deg", none)))
        return beyond(beyond(origin, axes, mount["at_mm"]), there, parts[i].get("shift_mm", none)), times(there, own)

    return [beyond(*seat(i), p["cg_mm"]) if "cg_mm" in p else None for i, p in enumerate(parts)]


KILOGRAMS = {"kg": 1, "g": 1e-3, "lb": 0.45359237, "oz": 0.45359237 / 16}


def canonical(rig):
    parts = [dict(p, place_mm=at) for p, at in zip(rig["part"], balance_points(rig["part"]))]
    steps = lambda p: (whole(next(p["mass_" + u] * kg for u, kg in KILOGRAMS.items() if "mass_" + u in p) * 1e9) + 2_500_000) // 5_000_000

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


MARKER = '# The history of a handover, by itself. This file makes a clone of it a library.\nformat = 1\nkind = "library"\nname = "From a handover"\n'
HIDDEN = re.compile("[\x00-\x08\x0b-\x1f\x7f-\x9f\u200e\u200f\u202a-\u202e\u2066-\u2069\u2028\u2029\ufeff]")


def history(ms, m):
    """The rigs, and their history as any git reads it."""
    files = {n.removeprefix("library/"): d for n, d in ms.items() if n.startswith("library/")}
    ours = {}  # by fingerprint, earlier ones too
    for r in m["rigs"]:
        build = files.get("rigs/%s/%s/rig.toml" % (r["fingerprint"][:2], r["fingerprint"]))
        need(build, "no build of " + r["fingerprint"])
        build = tomllib.loads(build.decode())
        need(digest(canonical(build)) == r["fingerprint"], "the build is another")
        need((build["alias"], build["gimbal"], build.get("was", [])) == (r["alias"], r["gimbal"], r["was"]), "the manifest says other things of a rig than its build")
        ours.update(dict.fromkeys([r["fingerprint"], *r["was"]]))

    def known(path):
        rig = re.fullmatch(r"rigs/(..)/((?:\1)\w{8})/[^/]+(/[^/]+)?\.(toml|jpg)", path)
        return rig and rig[2] in ours or re.fullmatch(r"gimbals/[^/]+\.toml", path)

    jobs = [tomllib.loads(d.decode()) for p, d in files.items() if re.fullmatch(r"jobs/[^/]+\.toml", p)]
    records = {p: re.fullmatch(r"units/([^/]+)/([^/]+)/unit\.toml", p) for p in files}
    records = {p: x for p, x in records.items() if x}
    need(all(known(p) or p in records or re.fullmatch(r"jobs/[^/]+\.toml", p) for p in files), "a file that no rig here needs")
    entries = []  # revisions that records of units name
    for path, x in records.items():
        entries += unit(tomllib.loads(files[path].decode()), x[1], x[2], m["rigs"], files, jobs)
    with tempfile.TemporaryDirectory() as dir:
        def git(*words):
            p = subprocess.run(["git", "-C", dir, *words], capture_output=True, env=dict(os.environ, GIT_CONFIG_GLOBAL=os.devnull))
            need(p.returncode == 0, p.stderr.decode(errors="replace"))
            return p.stdout

        with open(os.path.join(dir, "b"), "wb") as f:
            f.write(ms["history.bundle"])
        git("init", "-q", "--bare", ".")
        git("fetch", "-q", "./b", "refs/heads/main:refs/heads/main")
        git("fsck", "--strict")
        need(set(entries) <= set(git("rev-list", "main").decode().split()), "a unit's entry that names a revision of nowhere")
        for n, c in enumerate(git("rev-list", "main").decode().split()):
            need(n > 0 or c == m["tip"], "another tip")
            made = git("show", "-s", "--format=%(trailers:key=Handover-Revision,valueonly)", c).decode().strip()
            need(re.fullmatch("[0-9a-f]{40}", made) and (n > 0 or made == m["revision"]), "what a revision was made from")
            need(not HIDDEN.search(git("show", "-s", "--format=%an%ae%cn%ce%B", c).decode()), "hidden characters in a revision")
            there = dict(reversed(x.split("\t")) for x in git("ls-tree", "-r", c).decode().splitlines())
            need(there.pop("library.toml", "").split()[2:3] == [blob_id(MARKER.encode())], "another library.toml")
            need(all(known(p) and x.startswith("100644 blob ") for p, x in there.items()), "a file in the history that no rig here needs")
            if n == 0:
                want = {p: blob_id(d) for p, d in files.items() if not p.startswith(("jobs/", "units/"))}
                need({p: x.split()[2] for p, x in there.items()} == want, "other files than those of the history")


def unit(record, gimbal, serial, rigs, files, jobs):
    """The revisions that a unit's record names; it may speak of the rigs here alone."""
    ours = [r for r in rigs if r["gimbal"] == gimbal]
    need(ours, "a unit of a gimbal that no rig here is on")
    need(not {"note", "link"} & set(record), "more of a unit than concerns the rigs here")
    names = {fold(x).lower() for x in [serial, record.get("label", serial), *record.get("was", [])]}
    prints = {f: r for r in ours for f in [r["fingerprint"], *r["was"]]}

    def has(h):
        r = prints.get(h.get("rig"))
        return r and (r["whole"] or h.get("tune") in r["tunes"])

    newest, out = {}, []
    for h in record.get("held", []):
        at = h.get("memory", 0)
        if at not in newest or h["at"] >= newest[at]["at"]:
            newest[at] = h
        if not set(h) <= {"at", "by", "memory"}:
            need(has(h), "a unit that holds a rig which is not here")
            need(values(dict(flat(h["values"]))) == h["digest"], "other values than their digest")
        out += [h["revision"]] if "revision" in h else []
    tunes = [tomllib.loads(d.decode()) for p, d in files.items() if any(re.fullmatch(r"rigs/../%s/[^/]+\.toml" % r["fingerprint"], p) for r in ours)]
    wanted = [t.get("unit", "") for t in tunes] + [p.get("unit", "") for j in jobs for p in j.get("pin", []) if p["rig"] in prints]
    need(any(fold(w).lower() in names for w in wanted if w) or any(has(h) for h in newest.values()), "a unit that no tune here needs")
    return out


def blob_id(data):
    return hashlib.sha1(b"blob %d\0" % len(data) + data).hexdigest()


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
            history(ms, m)
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
