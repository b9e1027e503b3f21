"""Writes more.toml: check values of our own, computed with numpy, scipy, mpmath and
statsmodels by routes that share no code with the Go program.

    python3 more.py > more.toml
"""
import cmath, math, sys
import mpmath as mp
import numpy as np
import scipy, statsmodels
from scipy import integrate, optimize, signal, stats
from scipy.interpolate import CubicSpline
from scipy.spatial.transform import Rotation
import statsmodels.api as sm

mp.mp.dps = 40
LIB = "numpy %s, scipy %s, mpmath %s, statsmodels %s" % (np.__version__, scipy.__version__, mp.__version__, statsmodels.__version__.split("+")[0])
C = "computed: " + LIB
rng = np.random.default_rng(7101)
cases = []


def toml(v, exact=False):
    """Inputs exactly, results to the digits that mean something."""
    if isinstance(v, (bool, np.bool_)):
        return "true" if v else "false"
    if isinstance(v, (int, np.integer)):
        return str(int(v))
    if isinstance(v, (float, np.floating, mp.mpf)):
        v = float(v)
        if math.isinf(v):
            return "inf"
        s = repr(float(v)) if exact else "%.12g" % v
        return s if any(c in s for c in ".en") else s + ".0"
    if isinstance(v, str):
        return '"' + v + '"'
    if isinstance(v, (list, tuple, np.ndarray)):
        return "[" + ", ".join(toml(x, exact) for x in v) + "]"
    if isinstance(v, dict):
        return "{ " + ", ".join(f'"{k}" = {toml(x, exact)}' for k, x in v.items()) + " }"
    raise TypeError(type(v))


def add(group, kind, inputs, expected, source=C, rtol=1e-9, atol=0.0, tol=None, published=None, note=None):
    n = sum(c["group"] == group for c in cases) + 1
    cases.append(dict(group=group, id="m%s%d" % (group, n), kind=kind, inputs=inputs, expected=expected, source=source, rtol=rtol, atol=atol, tol=tol, published=published, note=note))


# ---------------------------------------------------------------- a: mass
def frame_of(axis):
    w = np.array(axis, float) / np.linalg.norm(axis)
    q, _ = np.linalg.qr(np.column_stack([w, np.eye(3)[:, np.argsort(abs(w))[:2]]]))
    return np.column_stack([q[:, 1], q[:, 2], w])


def own(p):
    """Second moments of the solid about its centre as E[x x^T], so that no textbook inertia is used."""
    if p["shape"] == "box":
        s = np.diag(np.array(p["size"]) ** 2 / 12)
        R = Rotation.from_rotvec(p.get("rotvec_deg", [0, 0, 0]), degrees=True).as_matrix()
    elif p["shape"] in ("cylinder", "tube"):
        r2 = (p["radius"] ** 2 + p.get("bore", 0) ** 2) / 4
        s, R = np.diag([r2, r2, p["length"] ** 2 / 12]), frame_of(p["axis"])
    elif p["shape"] == "sphere":
        s, R = np.eye(3) * p["radius"] ** 2 / 5, np.eye(3)
    else:
        s, R = np.zeros((3, 3)), np.eye(3)
    return R @ s @ R.T


def build(parts, about=None):
    """Mass, centre of gravity and tensor in high precision from second moments."""
    m = mp.fsum(mp.mpf(p["mass"]) for p in parts)
    cg = [mp.fsum(mp.mpf(p["mass"]) * mp.mpf(p["pos"][i]) for p in parts) / m for i in range(3)]
    at = cg if about is None else [mp.mpf(x) for x in about]
    S = mp.zeros(3)
    for p in parts:
        o = own(p)
        d = [mp.mpf(p["pos"][i]) - at[i] for i in range(3)]
        for i in range(3):
            for j in range(3):
                S[i, j] += mp.mpf(p["mass"]) * (mp.mpf(o[i, j]) + d[i] * d[j])
    tr = S[0, 0] + S[1, 1] + S[2, 2]
    I = [[float((tr if i == j else 0) - S[i, j]) for j in range(3)] for i in range(3)]
    return float(m), [float(x) for x in cg], np.array(I)


def mass_case(parts, about=None, note=None, **k):
    m, cg, I = build(parts)
    inp, exp = dict(parts=parts), dict(mass=m, cg=cg, inertia_cg=I, principal=np.linalg.eigvalsh(I))
    if about is not None:
        inp["about"], exp["inertia_about"] = about, build(parts, about)[2]
    small = float(np.abs(I).max()) * 1e-12
    add("a", "mass_properties", inp, exp, tol=dict(inertia_cg=[1e-9, small], principal=[1e-9, small * 10], inertia_about=[1e-9, small * 100], cg=[1e-9, 1e-15]), note=note, **k)


def some(n, scale=0.1, mass=1.0):
    out = []
    for i in range(n):
        p = dict(name=f"p{i}", mass=float(np.round(mass * np.exp(rng.normal()), 6)), pos=[float(np.round(x, 9)) for x in rng.uniform(-scale, scale, 3)])
        L = lambda: float(np.round(rng.uniform(0.02, 1) * scale, 9))
        k = ["box", "cylinder", "tube", "sphere", "point"][rng.integers(5)]
        p["shape"] = k
        if k == "box":
            p["size"], p["rotvec_deg"] = [L(), L(), L()], [float(np.round(x, 3)) for x in rng.uniform(-170, 170, 3)]
        if k in ("cylinder", "tube"):
            p["axis"], p["length"], p["radius"] = [float(np.round(x, 4)) for x in rng.normal(size=3)], L(), L()
        if k == "tube":
            p["bore"] = float(np.round(p["radius"] * rng.uniform(0.1, 0.98), 9))
        if k == "sphere":
            p["radius"] = L()
        out.append(p)
    return out


mass_case([dict(name="ring", shape="tube", mass=0.4, radius=0.21, bore=0.2, length=0.03, axis=[1, 0, 0], pos=[0, 0, 0])],
          source="hollow cylinder m (R^2 + r^2)/2 about its axis (Beer & Johnston, inside cover; from memory); " + C)
mass_case([dict(name="ball", shape="sphere", mass=1.3, radius=0.06, pos=[0.2, -0.1, 0.05])], about=[0, 0, 0], source="solid sphere 2/5 m r^2 (Beer & Johnston, inside cover; from memory); " + C)
mass_case(some(6), about=[0.3, -0.2, 0.1])
mass_case(some(40, 0.2, 0.2), about=[0, 0, 0])
mass_case(some(5, 0.001, 1e-3), note="a build of millimetres and grams")
mass_case(some(5, 8.0, 400.0), note="a build of metres and tons")
far = some(5)
for p in far:
    p["pos"] = [p["pos"][0] + 1000.0, p["pos"][1] - 2000.0, p["pos"][2] + 500.0]
m, cg, I = build(far)
add("a", "mass_properties", dict(parts=far), dict(mass=m, cg=cg, inertia_cg=I, principal=np.linalg.eigvalsh(I)), rtol=1e-7, tol=dict(inertia_cg=[1e-7, 1e-9], principal=[1e-7, 1e-9]),
    note="two kilometres from the origin: the parallel axis theorem must not be taken there and back")
mass_case([dict(name="rod", shape="cylinder", mass=1.0, radius=1e-5, length=1.0, axis=[1, 2, 2], pos=[0, 0, 0])], note="a needle: one principal moment is ten orders below the others")


def moments(parts, lo, hi, tilt_at, pan_at, roll_at):
    def about(at, d, turn):
        R = Rotation.from_rotvec([0, turn, 0]).as_matrix()
        J = 0.0
        for p in parts:
            S = own(p) * p["mass"]
            pos = R @ (np.array(p["pos"]) - tilt_at) + tilt_at - at
            S = R @ S @ R.T + p["mass"] * np.outer(pos, pos)
            J += np.trace(S) - d @ S @ d
        return J
    t = np.radians(np.linspace(lo, hi, 20001))
    out = {}
    for name, at, d in (("pan", pan_at, [0, 0, 1]), ("roll", roll_at, [1, 0, 0]), ("tilt", tilt_at, [0, 1, 0])):
        at, d = np.array(at, float), np.array(d, float)
        v = np.array([about(at, d, x) for x in t[::50]])
        def best(sign):
            i = int(np.argmin(sign * v))
            a, b = t[::50][max(i - 1, 0)], t[::50][min(i + 1, len(v) - 1)]
            r = optimize.minimize_scalar(lambda x: sign * about(at, d, x), bounds=(a, b), method="bounded", options=dict(xatol=1e-12))
            return min(sign * r.fun, v[i]) if sign > 0 else max(sign * r.fun, v[i])
        out[name] = dict(least=best(1), worst=best(-1), level=about(at, d, 0.0))
    return out


cam = [dict(name="body", shape="box", mass=1.2, size=[0.1, 0.12, 0.1], pos=[-0.02, 0.003, 0.004]), dict(name="lens", shape="cylinder", mass=0.9, radius=0.045, length=0.2, axis=[1, 0, 0.05], pos=[0.12, 0, 0.006]),
       dict(name="handle", shape="box", mass=0.3, size=[0.15, 0.02, 0.02], rotvec_deg=[0, 25, 0], pos=[0.0, 0.01, 0.09])]
for lo, hi, tp, pp, rp in ((-45, 60, [0, 0, 0], [0, 0, 0], [0, 0, 0]), (-90, 135, [0.01, 0, -0.005], [-0.02, 0, 0], [0, 0, 0.01]), (10, 20, [0, 0, 0], [0, 0.03, 0], [0, 0, 0])):
    add("a", "moments", dict(parts=cam, lo_deg=lo, hi_deg=hi, tilt_point=tp, pan_point=pp, roll_point=rp), moments(cam, lo, hi, np.array(tp, float), pp, rp), rtol=1e-8, note="the build turned part by part; extremes by search, not by formula")

# ---------------------------------------------------------------- b: balance
for lean, tilt in ((0, 0), (35, 20), (80, -110)):
    m, cg, p = 2.3, np.array([0.012, -0.007, 0.021]), np.array([0.0, 0.002, -0.003])
    d = np.array([np.cos(np.radians(lean)), 0.0, np.sin(np.radians(lean))])
    height = lambda phi: (Rotation.from_rotvec(d * phi).apply(Rotation.from_rotvec([0, np.radians(tilt), 0]).apply(cg) - p) + p)[2]
    h = 1e-4
    k = m * 9.80665 * (-height(2 * h) + 16 * height(h) - 30 * height(0) + 16 * height(-h) - height(-2 * h)) / (12 * h * h)
    add("b", "gravity_stiffness", dict(mass=m, cg=cg, axis_point=p, axis_dir=d, tilt_deg=tilt), dict(k=k), rtol=1e-6, atol=1e-7, note="curvature of the height of the centre of gravity, five-point differences")
ang = np.array([-75, -52, -31, -8, 11, 33, 58, 79.0])
T = np.round(-3.1 * 9.80665 * (0.0062 * np.cos(np.radians(ang)) - 0.0019 * np.sin(np.radians(ang))) + 0.011 + 0.002 * rng.normal(size=8), 5)
fit = sm.OLS(T, np.column_stack([-np.cos(np.radians(ang)), -np.sin(np.radians(ang)), np.ones(8)])).fit()
mg = 3.1 * 9.80665
add("b", "offset_from_sweep", dict(mass=3.1, angles_deg=ang, hold_torque=T), dict(x=fit.params[0] / mg, z=fit.params[1] / mg, bias=fit.params[2], offset=np.hypot(*fit.params[:2]) / mg, residual_rms=np.sqrt(fit.ssr / 8)), source="computed: statsmodels OLS; " + LIB)
add("b", "added_draw", dict(torque=[0.06, -0.11, 0.02], kt=[0.5, 0.42, 0.6], resistance=[4.1, 5.2, 3.3], voltage=14.4, energy_wh=98.0, efficiency=0.8),
    dict(power_w=sum(r * (t / k) ** 2 for t, k, r in ((0.06, 0.5, 4.1), (0.11, 0.42, 5.2), (0.02, 0.6, 3.3))) / 0.8, current_a=sum(r * (t / k) ** 2 for t, k, r in ((0.06, 0.5, 4.1), (0.11, 0.42, 5.2), (0.02, 0.6, 3.3))) / 0.8 / 14.4), source="I = T/Kt, P = I^2 R (Hughes, Electric Motors and Drives; from memory); " + C)


# ---------------------------------------------------------------- c: loop
def polys(q, k=1.0):
    """Numerator and denominator of L without the delay, highest power first."""
    num = np.array([q.get("D", 0.0), q["K"], q.get("Ki", 0.0)]) if q.get("Ki") else np.array([q.get("D", 0.0), q["K"]])
    num = k * num
    den = np.array([q["J"], q.get("b", 0.0), q.get("KG", 0.0)])
    if "resonance" in q:
        r = q["resonance"]
        w, z, mu = 2 * np.pi * r["hz"], r["damping"], r["share"]
        N, soft = np.array([1, 2 * z * w, w * w]), np.array([2 * z * w, w * w])
        den = np.polyadd(np.polymul([(1 - mu) * q["J"], q.get("b", 0.0), q.get("KG", 0.0)], N), mu * q["J"] * np.polymul([1, 0, 0], soft))
        num = np.polymul(num, soft if r["beyond"] else N)
    if q.get("Ki"):
        den = np.polymul(den, [1, 0])
    for f in ("sensing", "drive"):
        if f in q:
            w = 2 * np.pi * q[f]["hz"]
            den = np.polymul(den, [1 / w, 1] if q[f]["order"] == 1 else [1 / w**2, math.sqrt(2) / w, 1])
    return num, den


def right_half_roots(q, k=1.0):
    """Zeros of den + num e^(-sT) right of the imaginary axis, by the argument principle."""
    num, den = polys(q, k)
    T = q.get("Td", 0.0)
    f = lambda s: np.polyval(den, s) + np.polyval(num, s) * np.exp(-s * T)
    # outside this radius |den| > |num|, so no root to the right lies there
    R = 10.0
    while True:
        s = R * np.exp(1j * np.linspace(-np.pi / 2, np.pi / 2, 4001))
        if np.all(np.abs(np.polyval(num, s)) < 0.5 * np.abs(np.polyval(den, s))):
            break
        R *= 2
    eps = 1e-7 * R
    path = lambda t: eps + 1j * R * (1 - 2 * t / 0.5) if t < 0.5 else eps + R * cmath.exp(1j * np.pi * ((t - 0.5) / 0.5 - 0.5))
    ts = np.unique(np.r_[np.linspace(0, 1, 20001), 0.25 + 0.25 * np.sign(np.linspace(-1, 1, 40001)) * 10.0 ** (-9 * np.abs(np.linspace(-1, 1, 40001)))])
    ts = ts[(ts >= 0) & (ts <= 1)]
    v = np.array([f(path(t)) for t in ts])
    return int(round(np.angle(v[1:] / v[:-1]).sum() / (2 * np.pi)))


def margins(q):
    num, den = polys(q)
    T = mp.mpf(q.get("Td", 0.0))
    n, d = [mp.mpf(x) for x in num], [mp.mpf(x) for x in den]
    L = lambda w: mp.polyval(n, 1j * w) / mp.polyval(d, 1j * w) * mp.exp(-1j * w * T)
    w = np.logspace(-3, 5, 120001)
    v = np.polyval(num, 1j * w) / np.polyval(den, 1j * w) * np.exp(-1j * w * float(T))
    stable = right_half_roots(q) == 0
    out = dict(stable=stable)
    if not stable:
        return out
    def roots(g, values):
        return [mp.findroot(g, (mp.mpf(w[i]), mp.mpf(w[i + 1])), solver="anderson", tol=1e-28, verify=False) for i in np.nonzero(np.sign(values[:-1]) != np.sign(values[1:]))[0]]
    gc = roots(lambda x: mp.log(abs(L(x))), np.log(np.abs(v)))
    pc = [x for x in roots(lambda x: mp.im(L(x)), v.imag) if mp.re(L(x)) < 0 and abs(L(x)) > mp.mpf("1e-3")]
    away = lambda x: (mp.arg(L(x)) + mp.pi if mp.arg(L(x)) < 0 else mp.arg(L(x)) - mp.pi)
    near = min(gc, key=lambda x: abs(away(x)))
    out["w_gc"], out["pm_deg"] = near, abs(mp.degrees(away(near)))
    out["dm_s"] = min((mp.arg(L(x)) + mp.pi) % (2 * mp.pi) / x for x in gc)
    up = sorted(1 / abs(L(x)) for x in pc if abs(L(x)) < 1)
    down = sorted((1 / abs(L(x)) for x in pc if abs(L(x)) > 1), reverse=True)
    if q.get("KG", 0.0) < 0 and not q.get("Ki"):
        down = sorted(down + [mp.mpf(-q["KG"]) / q["K"]], reverse=True)     # toppling, at w = 0
    if up:
        out["gm"] = up[0]
        assert right_half_roots(q, float(up[0]) * 0.997) == 0 < right_half_roots(q, float(up[0]) * 1.003), q
    if down:
        out["gm_low"] = down[0]
        assert right_half_roots(q, float(down[0]) * 1.003) == 0 < right_half_roots(q, float(down[0]) * 0.997), q
    q2 = dict(q, Td=float(T + out["dm_s"]) * 1.003)
    assert right_half_roots(q2) > 0
    S = lambda x: -float(1 / abs(1 + L(mp.exp(x))))
    peaks = np.argsort(-1 / np.abs(1 + v))[:3]
    out["Ms"] = max(-optimize.minimize_scalar(S, bounds=(math.log(w[max(i - 1, 0)]), math.log(w[i + 1])), method="bounded", options=dict(xatol=1e-12)).fun for i in peaks)
    return out


MT = dict(rtol=1e-6, tol=dict(pm_deg=[1e-6, 1e-5], Ms=[1e-6, 0.0]))
base = dict(J=0.0062, b=0.004, K=14.0, D=0.42, Td=0.003)
first = dict(sensing=dict(order=1, hz=100.0), drive=dict(order=1, hz=70.0))
for q, note in (
    (dict(base, sensing=dict(order=2, hz=120.0), drive=dict(order=2, hz=90.0)), "two Butterworth filters"),
    (dict(base, sensing=dict(order=2, hz=60.0), drive=dict(order=1, hz=150.0), Ki=40.0), "integral term and a heavy filter: a lower gain margin as well"),
    (dict(base, KG=-0.9, **first), "top-heavy: toppling below a share of the stiffness"),
    (dict(base, KG=1.5, **first), "hanging"),
    (dict(base, KG=-0.9, Ki=20.0, **first), "top-heavy with an integral term"),
    (dict(base, K=5.0, D=0.16, resonance=dict(hz=23.0, damping=0.02, share=0.2, beyond=False), **first), "a soft plate, sensor on the motor's side"),
    (dict(base, K=1.2, D=0.05, resonance=dict(hz=35.0, damping=0.03, share=0.25, beyond=True), **first), "a long lens, sensor beyond the spring: several gain crossovers"),
    (dict(base, K=9.0, D=0.3, resonance=dict(hz=80.0, damping=0.05, share=0.1, beyond=True), **first), "a resonance above the crossover that the loop cannot stand"),
    (dict(base, K=4.0, D=0.12, resonance=dict(hz=180.0, damping=0.05, share=0.1, beyond=True), **first), "a stiff lens"),
    (dict(J=0.9, b=0.02, K=30.0, D=9.0, Td=0.08), "a delay ten times the rest"),
    (dict(J=2e-5, b=1e-6, K=0.4, D=0.0006, Td=0.0004, sensing=dict(order=1, hz=900.0)), "a build of grams"),
):
    add("c", "margins", q, margins(q), note=note, **MT)
add("c", "margins", dict(J=1.0, b=1.0, K=2.0, D=0.0, tau_sense=0.2, tau_drive=0.0, Td=0.0), margins(dict(J=1.0, b=1.0, K=2.0, Td=0.0, sensing=dict(order=1, hz=1 / (2 * np.pi * 0.2)))),
    source="Ogata, Modern Control Engineering, 5th ed., Example 7-20, 10/(s(s+1)(s+5)): phase margin 21 deg, gain margin 8 dB, read off a plot (from memory; exact 9.54 dB); " + C, **MT)
add("c", "margins", dict(J=1.0, b=1.0, K=1.0, D=0.0, tau_sense=0.2, tau_drive=0.0, Td=0.0), margins(dict(J=1.0, b=1.0, K=1.0, Td=0.0, sensing=dict(order=1, hz=1 / (2 * np.pi * 0.2)))),
    source="Dorf & Bishop, Modern Control Systems, 1/(s(s+1)(0.2s+1)): gain margin 15 dB, phase margin 43 deg (from memory); " + C, published=dict(pm_deg=43.0), **MT)
for q in (dict(base, Tv=0.03, **first), dict(base, Tv=0.03, sensing=dict(order=2, hz=80.0))):
    l = dict(q, D=q["K"] * q.pop("Tv"))
    num, den = polys(l)
    G = lambda x: mp.polyval([mp.mpf(a) for a in num], 1j * x) / mp.polyval([mp.mpf(a) for a in den], 1j * x) * mp.exp(-1j * x * mp.mpf(l["Td"]))
    w = np.logspace(0, 4, 40001)
    v = np.polyval(num, 1j * w) / np.polyval(den, 1j * w) * np.exp(-1j * w * l["Td"])
    x = min(r for r in (mp.findroot(lambda y: mp.im(G(y)), (mp.mpf(w[i]), mp.mpf(w[i + 1])), solver="anderson", tol=1e-28, verify=False) for i in np.nonzero(np.sign(v.imag[:-1]) != np.sign(v.imag[1:]))[0]) if mp.re(G(r)) < 0)
    f = 1 / abs(G(x))
    add("c", "onset_common", l, dict(multiplier=f, K_u=f * l["K"], D_u=f * l["D"], w_u=x, f_u_hz=x / (2 * mp.pi)), rtol=1e-8)
add("c", "tl_table", dict(Ku=6.0, Tu=2.8099), dict(PI=dict(K=1.875, Ti=6.18178), PID=dict(K=6.0 / 2.2, Ti=6.18178, Td=2.8099 / 6.3)), source="Tyreus & Luyben 1992: Ku/3.2, 2.2 Tu; PID Ku/2.2, 2.2 Tu, Tu/6.3 (from memory)")

# ---------------------------------------------------------------- d: follow
def follow_ode(model, w, tau, t_end, handle, fs=400):
    dz = lambda e: np.sign(e) * max(abs(e) - w, 0)
    if model == "critical":
        wn = 2 / tau
        f, n = (lambda t, y: [y[1], wn * wn * dz(handle(t) - y[0]) - 2 * wn * y[1]]), 2
    elif model == "two-stage":
        a = tau / 2
        f, n = (lambda t, y: [dz(handle(t) - y[0]) / a, (y[0] - y[1]) / a]), 2
    else:
        f, n = (lambda t, y: [dz(handle(t) - y[0]) / tau]), 1
    s = integrate.solve_ivp(f, (0, t_end), [0.0] * n, rtol=1e-10, atol=1e-12, max_step=0.005, dense_output=True)
    t = np.arange(0, t_end, 1 / fs)
    c = s.sol(t)[1 if model == "two-stage" else 0]
    h = np.array([handle(x) for x in t])
    return t, h, c


for model, w, tau, move, handle, stop in (
    ("first-order", 2.0, 0.3, "turn 60deg in 1.5s", lambda t: 60 * (10 * min(t / 1.5, 1) ** 3 - 15 * min(t / 1.5, 1) ** 4 + 6 * min(t / 1.5, 1) ** 5), 1.5),
    ("critical", 3.0, 0.5, "turn 90deg in 2s", lambda t: 90 * (10 * min(t / 2, 1) ** 3 - 15 * min(t / 2, 1) ** 4 + 6 * min(t / 2, 1) ** 5), 2.0),
    ("two-stage", 4.0, 0.6, "pan 25deg/s for 3s", lambda t: 25 * min(t, 3.0), 3.0),
    ("critical", 0.0, 0.4, "pan 40deg/s for 2s", lambda t: 40 * min(t, 2.0), 2.0),
):
    t, h, c = follow_ode(model, w, tau, stop + 8 * tau + 1, handle)
    add("d", "follow_sim", dict(model=model, half_width=w, tau=tau, move=move), dict(trail_at_stop=abs(h - c)[np.searchsorted(t, stop)], max_trail=np.abs(h - c).max(), peak_rate=np.abs(np.diff(c) * 400).max(), travel=c[-1]),
        rtol=2e-3, tol=dict(travel=[1e-4, 0.0], trail_at_stop=[1e-4, 0.0], max_trail=[1e-4, 0.0]), source="computed: scipy solve_ivp; " + LIB)
for r in (0.2, 0.5, 0.9, 0.999):
    N = mp.quad(lambda t: (mp.sin(t) - r) * mp.sin(t), [mp.asin(r), mp.pi / 2]) * 4 / mp.pi
    add("d", "deadzone_df", dict(half_width=3.0 * r, amplitude=3.0), dict(N=N), rtol=1e-10, source="computed: mpmath quadrature of the definition; " + LIB)


def sparc(v, fs):
    n = int(2 ** (np.ceil(np.log2(len(v))) + 4))
    M = np.abs(np.fft.rfft(v, n))
    f = np.arange(len(M)) * fs / n
    M = M / M.max()
    f, M = f[f <= 10.0], M[f <= 10.0]
    i = np.nonzero(M >= 0.05)[0]
    f, M = f[i[0]:i[-1] + 1], M[i[0]:i[-1] + 1]
    return -np.sqrt((np.diff(f) / (f[-1] - f[0])) ** 2 + np.diff(M) ** 2).sum()


def ldlj(v, fs):
    j = (v[2:] - 2 * v[1:-1] + v[:-2]) * fs * fs
    return -math.log((len(v) / fs) ** 3 / np.abs(v).max() ** 2 * (j * j).sum() / fs)


mj = lambda t, T: 30 * (np.clip(t / T, 0, 1) ** 2 - 2 * np.clip(t / T, 0, 1) ** 3 + np.clip(t / T, 0, 1) ** 4) / T
for subs, fs, n in (([[0.0, 0.8, 1.0], [0.5, 1.0, 0.6], [1.4, 0.5, 0.9]], 120.0, 260), ([[0.0, 1.2, 2.0], [0.3, 0.3, -0.2], [1.1, 0.9, 1.5], [1.9, 0.4, 0.3], [2.2, 1.0, 1.0]], 250.0, 900)):
    t = np.arange(n) / fs
    v = sum(a * mj(t - s, T) for s, T, a in subs)
    add("d", "smoothness", dict(profile=dict(type="minjerk_sum", subs=subs, n=n, fs=fs)), dict(sparc=sparc(v, fs), ldlj=ldlj(v, fs)), rtol=1e-8, source="computed: numpy fft, after Balasubramanian et al. 2015; " + LIB)

# ---------------------------------------------------------------- e: frame
for f, h, v, d in ((20, 84.0, 61.9, 94.5), (28, 65.5, 46.4, 75.4), (35, 54.4, 37.8, 63.4), (85, 23.9, 16.1, 28.6), (135, 15.2, 10.2, 18.2), (200, 10.3, 6.9, 12.3)):
    a = lambda x: math.degrees(2 * math.atan(x / 2 / f))
    add("e", "fov", dict(focal_mm=float(f), sensor_mm=[36.0, 24.0]), dict(h=a(36), v=a(24), d=a(math.hypot(36, 24))), published=dict(h=h, v=v, d=d), source="public field-of-view tables of 36 x 24 mm (from memory); computed 2 atan(d/2f)")
a = lambda x: math.degrees(2 * math.atan(x / 2 / 40))
add("e", "fov", dict(focal_mm=40.0, sensor_mm=[24.9, 18.7], squeeze=2.0), dict(h=a(49.8), v=a(18.7), d=a(math.hypot(49.8, 18.7))), source="squeeze widens the frame across (common practice, no source); computed 2 atan(d/2f)")


def tilt_limits(q):
    """Turns the camera in small steps and looks, point by point, whether one is in frame."""
    H, V = math.tan(math.radians(q["h_deg"]) / 2), math.tan(math.radians(q["v_deg"]) / 2)
    def sees(theta):                      # theta up positive
        R = Rotation.from_rotvec([0, -theta, 0]).as_matrix()      # the camera's frame in the gimbal's
        eye = R @ np.array(q["pupil"])
        for o in q["obstacles"]:
            x, y, z = R.T @ (np.array(o) - eye)
            if x > 0 and abs(y) <= x * H and abs(z) <= x * V:
                return True
        return False
    out = {}
    for way, sign, end in (("up", 1, q["up_deg"]), ("down", -1, q["down_deg"])):
        hit = None
        for i in range(int(end * 50) + 1):
            if sees(sign * math.radians(i / 50)):
                hit = i / 50
                break
        if hit:
            lo, hi = math.radians(hit - 0.02), math.radians(hit)
            for _ in range(50):
                m = (lo + hi) / 2
                lo, hi = (lo, m) if sees(sign * m) else (m, hi)
            hit = math.degrees(lo)
        out[way + "_deg"] = float(end) if hit is None else hit
    return out


for q in (dict(h_deg=54.4, v_deg=37.8, pupil=[0.08, 0.0, 0.01], up_deg=60.0, down_deg=100.0, obstacles=[[0.07, 0.19, -0.255], [0.07, -0.19, -0.255], [0.0, 0.0, 0.26]]),
          dict(h_deg=84.0, v_deg=61.9, pupil=[0.05, 0.0, 0.0], up_deg=90.0, down_deg=120.0, obstacles=[[0.05, 0.12, -0.2], [-0.1, 0.02, 0.15], [0.1, 0.0, -0.3]]),
          dict(h_deg=20.0, v_deg=14.0, pupil=[0.1, 0.01, -0.02], up_deg=90.0, down_deg=120.0, obstacles=[[-0.05, 0.0, 0.2], [0.2, 0.15, -0.1]])):
    add("e", "tilt_limits", q, tilt_limits(q), rtol=1e-6, source="computed: the camera turned in steps of 0.02 deg, then bisected; " + LIB)

# ---------------------------------------------------------------- f: vibration
def log(name):
    a = np.loadtxt(name, delimiter=",", skiprows=1)
    return a[:, 0], dict(zip(("pan", "tilt", "roll"), a[:, 1:].T))


for name, fs, n, how, axes in (("gyro-open-tones.csv", 256.0, 777, None, ["pan", "tilt", "roll"]), ("gyro-open-sway.csv", 200.0, 1000, None, ["tilt", "roll"]), ("gyro-open-uneven.csv", 200.0, 500, "linear", ["pan", "tilt"]), ("gyro-open-uneven.csv", 150.0, 512, "cubic", ["tilt"])):
    t, ch = log(name)
    exp, bands = {}, [[1.0, 10.0], [10.0, 40.0], [40.0, 70.0]]
    for k in axes:
        x = ch[k]
        if how:
            tu = t[0] + np.arange(int((t[-1] - t[0]) * fs + 1e-9) + 1) / fs
            x = np.interp(tu, t, x) if how == "linear" else CubicSpline(t, x)(tu)
        f, P = signal.welch(x, fs, "hann", n, n // 2, detrend="constant")
        df = f[1]
        at = [5 * df, 20 * df, 60 * df]
        exp[k] = dict(total_rms=math.sqrt(P.sum() * df), band_rms=[math.sqrt(P[(f >= a) & (f < b)].sum() * df) for a, b in bands], psd_at=P[[5, 20, 60]])
    inp = dict(file=name, fs=fs, nperseg=n, bands=bands, psd_at=at, fmin=1.0, axes=axes, **(dict(resample=how) if how else {}))
    add("f", "analyse", inp, exp, rtol=1e-6 if not how else 1e-4, source="computed: scipy signal.welch; " + LIB)
for n in (100, 4097):
    w = signal.get_window("hann", n)
    worst = np.abs(np.exp(-1j * np.pi * np.arange(n) / n) @ w)
    add("f", "window_figures", dict(n=n), dict(coherent_gain=w.mean(), enbw_bins=n * (w @ w) / w.sum() ** 2, scallop_db=-20 * math.log10(worst / w.sum()), overlap_corr_pct=100 * (w[n // 2:] @ w[: n - n // 2]) / (w @ w) if n % 2 == 0 else 100 * (w[: n - n // 2] @ w[n // 2:]) / (w @ w)), rtol=1e-6, source="computed: scipy signal.get_window; " + LIB)

# ---------------------------------------------------------------- g: scaling
m = np.array([0.4, 0.7, 1.1, 1.9, 3.0, 5.2])
J = np.round(0.0031 * m ** 1.7 * np.exp(0.1 * rng.normal(size=6)), 7)
c = np.polyfit(np.log(m), np.log(J), 1)
add("g", "exponent", dict(m=m, J=J), dict(exponent=c[0], coefficient=math.exp(c[1])), source="computed: numpy polyfit; " + LIB)

# ---------------------------------------------------------------- h: regression
def line(x, y, w=None):
    r = sm.WLS(y, sm.add_constant(np.asarray(x, float)), weights=1.0 if w is None else w).fit()
    return dict(intercept=r.params[0], slope=r.params[1], s=math.sqrt(r.mse_resid), se_intercept=r.bse[0], se_slope=r.bse[1], r_squared=r.rsquared), r


ans = [10, 8, 13, 9, 11, 14, 6, 4, 12, 7, 5]
quartet = ((ans, [8.04, 6.95, 7.58, 8.81, 8.33, 9.96, 7.24, 4.26, 10.84, 4.82, 5.68]), (ans, [9.14, 8.14, 8.74, 8.77, 9.26, 8.10, 6.13, 3.10, 9.13, 7.26, 4.74]),
           (ans, [7.46, 6.77, 12.74, 7.11, 7.81, 8.84, 6.08, 5.39, 8.15, 6.42, 5.73]), ([8, 8, 8, 8, 8, 8, 8, 19, 8, 8, 8], [6.58, 5.76, 7.71, 8.84, 8.47, 7.04, 5.25, 12.50, 5.56, 7.91, 6.89]))
for i, (x, y) in enumerate(quartet):
    add("h", "norris", dict(x=[float(v) for v in x], y=y), line(x, y)[0], rtol=1e-9, source="Anscombe, American Statistician 27 (1973) 17-21, set %d: 3.00, 0.500, R2 0.67 (data and figures from memory); statsmodels WLS" % (i + 1), published=dict(intercept=3.0, slope=0.5, r_squared=0.67))
speed = [4, 4, 7, 7, 8, 9, 10, 10, 10, 11, 11, 12, 12, 12, 12, 13, 13, 13, 13, 14, 14, 14, 14, 15, 15, 15, 16, 16, 17, 17, 17, 18, 18, 18, 18, 19, 19, 19, 20, 20, 20, 20, 20, 22, 23, 24, 24, 24, 24, 25]
stop = [2, 10, 4, 22, 16, 10, 18, 26, 34, 17, 28, 14, 20, 24, 28, 26, 34, 34, 46, 26, 36, 60, 80, 20, 26, 54, 32, 40, 32, 40, 50, 42, 56, 76, 84, 36, 46, 68, 32, 48, 52, 56, 64, 66, 54, 70, 92, 93, 120, 85]
add("h", "norris", dict(x=[float(v) for v in speed], y=[float(v) for v in stop]), line(speed, stop)[0], source="R datasets, cars (Ezekiel 1930), as summary(lm(dist ~ speed)) prints it: -17.5791, 3.9324, s 15.38, R2 0.6511, se 6.7584 and 0.4155 (data and figures from memory); statsmodels WLS",
    published=dict(intercept=-17.5791, slope=3.9324, s=15.38, r_squared=0.6511, se_intercept=6.7584, se_slope=0.4155))


def wls(J, K, w, ref, at, level):
    e, r = line(np.log(np.array(J) / ref), np.log(K), w)
    pr = []
    for j in at:
        x = np.array([1.0, math.log(j / ref)])
        mid = x @ r.params
        h = stats.t.ppf(0.5 + level / 2, r.df_resid) * math.sqrt(r.mse_resid * (1 + x @ r.normalized_cov_params @ x))
        pr.append(dict(J=j, K=math.exp(mid), lo=math.exp(mid - h), hi=math.exp(mid + h)))
    return dict(e, dof=int(r.df_resid), predictions=pr)


def add_wls(J, K, w, ref, at, level, **k):
    add("h", "wls", dict(J=J, K=K, weights=w, J_ref=ref, predict_J=at, level=level), wls(J, K, w, ref, at, level), source="computed: statsmodels WLS, scipy t; " + LIB, **k)


n = 25
J = np.round(np.exp(rng.normal(-5, 0.8, n)), 8)
K = np.round(2600 * J ** 1.02 * np.exp(0.15 * rng.normal(size=n)), 5)
add_wls(J, K, np.ones(n), 0.007, [0.002, 0.05], 0.9)
add_wls(J, K, np.round(np.exp(rng.normal(size=n) * 3.5), 9), 0.007, [0.01], 0.99, note="weights over six orders")
add_wls(np.round(0.007 * np.exp(1e-4 * rng.normal(size=8)), 12), np.round(14 * np.exp(0.05 * rng.normal(size=8)), 6), np.ones(8), 0.007, [0.0071], 0.9, rtol=1e-6, note="inertias that hardly differ")
add("h", "wls", dict(J=[0.004, 0.012], K=[9.0, 25.0], predict_J=[0.008]), dict(slope=math.log(25 / 9) / math.log(3), intercept=math.log(9) - math.log(25 / 9) / math.log(3) * math.log(0.004), dof=0, predictions=[dict(J=0.008, K=9 * 2 ** (math.log(25 / 9) / math.log(3)))]), source="computed: the line through two points", note="two points: a line and no interval")


def nig(prior, J, K, w, ref, at, level):
    """Posterior by the data-augmentation route: prior rows appended to the data; prediction by
    integrating the normal over the inverse gamma."""
    x = np.log(np.array(J) / ref)
    X, y = np.column_stack([np.ones(len(J)), x]), np.log(K)
    A = np.vstack([np.sqrt(w)[:, None] * X, np.diag(1 / np.sqrt(prior["var_scale"]))])
    b = np.r_[np.sqrt(w) * y, np.array(prior["mean"]) / np.sqrt(prior["var_scale"])]
    mean, ssr = np.linalg.lstsq(A, b, rcond=None)[:2]
    V = np.linalg.inv(A.T @ A)
    an, bn = prior["a0"] + len(J) / 2, prior["b0"] + float(((b - A @ mean) ** 2).sum()) / 2
    pr = []
    for j in at:
        v = np.array([1.0, math.log(j / ref)])
        s2 = 1 + v @ V @ v
        mid = v @ mean
        # P(y < mid + h) as a mixture over precision, solved for the level
        g = stats.gamma(an, scale=1 / bn)
        cdf = lambda h: integrate.quad(lambda t: stats.norm.cdf(h * math.sqrt(t / s2)) * g.pdf(t), *g.ppf([1e-14, 1 - 1e-14]), epsabs=1e-13, limit=500)[0]
        h = optimize.brentq(lambda z: cdf(z) - 0.5 - level / 2, 1e-9, 50 * math.sqrt(bn / an * s2), xtol=1e-12)
        pr.append(dict(J=j, K=math.exp(mid), lo=math.exp(mid - h), hi=math.exp(mid + h)))
    return dict(n=len(J), post_mean=mean, post_var_scale=V, a_n=an, b_n=bn, dof=2 * an, predictions=pr)


for prior, k, level in ((dict(mean=[2.6, 1.0], var_scale=[4.0, 1.0], a0=2.0, b0=0.09), 1, 0.9), (dict(mean=[2.6, 1.0], var_scale=[7.7, 1.23], a0=1.5, b0=0.012), 4, 0.9), (dict(mean=[0.0, 1.0], var_scale=[1e4, 1e-4], a0=30.0, b0=0.5), 12, 0.5)):
    w = np.round(np.exp(rng.normal(size=k)), 6)
    inp = dict(prior=prior, J=J[:k], K=K[:k], weights=w, J_ref=0.007, predict_J=[0.006, 0.03], level=level)
    add("h", "nig", inp, nig(prior, J[:k], K[:k], w, 0.007, [0.006, 0.03], level), rtol=1e-6, source="computed: augmented least squares and a mixture over the variance, numpy and scipy; " + LIB)

print("# Check values of our own. Made by more.py beside this file; do not edit by hand.\n")
for c in cases:
    print("[[case]]")
    for k in ("id", "group", "kind", "source"):
        print(f"{k} = {toml(c[k])}")
    if c["note"]:
        print("note =", toml(c["note"]))
    print("rtol =", repr(c["rtol"]))
    print("atol =", repr(c["atol"]))
    for t in ("inputs", "expected", "published", "tol"):
        if c[t]:
            print(f"[case.{t}]")
            for k, v in c[t].items():
                print(f"{k} = {toml(v, t == 'inputs')}")
    print()
print("%d cases" % len(cases), file=sys.stderr)
