# ruff: noqa
# mypy: ignore-errors
"""Root-pitch estimator for one-shot samples (numpy/scipy only).

estimate(y, sr) -> dict(f0, confidence, cents_sd, B, pitched, ...)
"""

import numpy as np


import os, json

FLOW, FHIGH = 24.0, 5200.0  # candidate range, Hz
RANGE_DB = 60.0
NFR = 16384  # frame at 44.1 kHz (372 ms)
_win = {}


def window(n):
    if n not in _win:
        t = 2 * np.pi * (np.arange(n) + 0.5) / n
        _win[n] = 0.42 - 0.5 * np.cos(t) + 0.08 * np.cos(2 * t)
    return _win[n]


def region(y, sr):
    """sustained part: after the attack, until the level stays 45 dB under its peak"""
    h = max(1, int(0.01 * sr))
    m = len(y) // h
    if m < 4:
        return 0, len(y)
    e = np.sqrt((y[: m * h].reshape(m, h) ** 2).mean(1)) + 1e-12
    k = e.max()
    above = np.flatnonzero(e > k * 10 ** (-45 / 20))
    on = np.flatnonzero(e > k * 0.1)[0]
    end = (above[-1] + 1) * h
    st = on * h
    skip = int(0.025 * sr)
    if end - st > 6 * skip:
        st += skip
    return st, end


def spectrum(y, sr):
    from scipy.fft import rfft

    """averaged power spectrum (dB), bin width, frames"""
    st, en = region(y, sr)
    x = y[st:en]
    N = 1 << int(round(np.log2(NFR * sr / 44100)))
    L = min(N, len(x))
    if len(x) <= N:
        fr = [x]
    else:
        nh = max(2, int(np.ceil((len(x) - N) / (N / 2))) + 1)
        nh = min(nh, 14)
        fr = [x[int(o) : int(o) + N] for o in np.linspace(0, len(x) - N, nh)]
    w = window(L)
    P = 0
    F = np.stack(fr) * w
    X = rfft(F, N, axis=1)
    P = X.real**2 + X.imag**2
    return P, sr / N, L, (st, en), N


def floor_db(D, df):
    """noise floor in dB: low percentile in log-spaced bands, interpolated"""
    edges = [0.0]
    f = 20.0
    while f < df * len(D):
        edges.append(f)
        f = max(f * 1.25, f + 180)
    idx = np.minimum((np.array(edges + [df * len(D)]) / df).astype(int), len(D))
    c = []
    v = []
    for a, b in zip(idx[:-1], idx[1:]):
        if b - a >= 8:
            q = np.partition(D[a:b], (b - a) * 4 // 10)[(b - a) * 4 // 10]
            c.append((a + b) / 2)
            v.append(q)
    return np.interp(np.arange(len(D)), c, v)


def peaks(P, df):
    from scipy.signal import find_peaks

    Pm = P.mean(0)
    D = 10 * np.log10(Pm + 1e-16)
    hi = min(len(D), int(12000 / df))
    lo = max(2, int(18 / df))
    D = D[:hi]
    fl = floor_db(D, df)
    top = D[lo:].max()
    thr = np.maximum(fl + 9, top - RANGE_DB)
    p, pr = find_peaks(D, height=thr, prominence=5)
    ok = (p >= lo) & (p < hi - 1)
    p = p[ok]
    if len(p) == 0:
        return None
    if len(p) > 64:
        p = np.sort(p[np.argsort(-D[p])[:64]])
    a, b, c = D[p - 1], D[p], D[p + 1]
    d = 0.5 * (a - c) / (a - 2 * b + c)
    return (p + d) * df, b - 0.25 * (a - c) * d, fl[p], top, p, D


H = 24


def candidates(pf, db):
    s = np.argsort(-db)[:14]
    c = (pf[s][:, None] / np.arange(1, 9)[None]).ravel()
    # pairwise differences of strong neighbouring peaks (missing fundamental, inharmonic)
    t = np.sort(pf[s])
    c = np.concatenate([c, np.diff(t)])
    # every peak within 45 dB that is low
    c = np.concatenate([c, pf[db > db.max() - 50]])
    c = c[(c > FLOW) & (c < FHIGH)]
    c = np.sort(c)
    if len(c) == 0:
        return c
    # one refinement pass on low harmonics, then merge
    c = refine_coarse(c, pf, db, 6)
    c = c[(c > FLOW) & (c < FHIGH)]
    # greedy non-maximum suppression by a quick harmonic score
    w0 = np.clip((db - db.max() + RANGE_DB) / RANGE_DB, 0, 1)
    q = pf[None] / c[:, None]
    n = np.maximum(1, np.round(q))
    dev = 1200 * np.log2(q / n)
    sc = (w0[None] ** 2 * (n <= 8) * np.exp(-0.5 * (dev / 12) ** 2)).sum(1)
    o = np.argsort(-sc, kind="stable")
    lc = 1200 * np.log2(c)
    keep = []
    taken = np.zeros(len(c), bool)
    D = np.abs(lc[:, None] - lc[None]) < 18
    for i in o:
        if not taken[i]:
            keep.append(i)
            taken |= D[i]
    return np.sort(c[keep])


def refine_coarse(c, pf, db, hmax):
    w0 = np.maximum(0, db - db.max() + RANGE_DB) / RANGE_DB
    q = pf[None] / c[:, None]
    n = np.maximum(1, np.round(q))
    dev = 1200 * np.log2(q / n)
    w = w0[None] ** 2 * (n <= hmax) * (np.abs(dev) < 35) * np.sqrt(n)
    sh = (w * dev).sum(1) / (w.sum(1) + 1e-9)
    return c * 2 ** (sh / 1200)


NF = 0
BS = np.array([0, 5e-5, 1.5e-4, 4e-4, 1.2e-3, 4e-3])


def features(c, pf, db, fl, df, nfr=12):
    """C x F feature matrix"""
    top = db.max()
    s = np.clip((db - top + RANGE_DB) / RANGE_DB, 0, 1)  # compressed salience of each peak
    sn = np.clip((db - fl) / 40, 0, 1)
    s = s * np.clip((db - fl - 6) / 24, 0.1, 1)
    snr = np.clip((db - fl) / 60, 0, 1.2)
    sq = snr**2
    hfw = 1 / (1 + (pf / 5000) ** 2)
    sk = s * hfw
    T = sk.sum() + 1e-9
    a = 10 ** ((db - top) / 20)
    a3 = a**0.6 * hfw
    A3 = a3.sum()
    C, K = len(c), len(pf)
    best = None
    q = pf[None] / c[:, None]  # C x K
    E = np.empty((len(BS), C))
    store = []
    for i, B in enumerate(BS):
        # invert n*sqrt(1+B n^2) = q*sqrt(1+B) approximately
        qq = q * np.sqrt(1 + B)
        n = np.sqrt((np.sqrt(1 + 4 * B * qq**2) - 1) / (2 * B)) if B > 0 else qq
        r = np.maximum(1, np.round(n))
        pred = r * np.sqrt((1 + B * r * r) / (1 + B))
        dev = 1200 * np.log2(q / pred)
        tol = np.minimum(22, 0.10 * 1731 / r)
        tol = np.maximum(tol, 1200 / np.log(2) * 0.25 * df / pf[None])
        ex = np.exp(-0.5 * (dev / tol) ** 2) * (r <= 40)
        E[i] = (ex * sk).sum(1) - 0.012 * T * i
        store.append((ex, r))
    bi = E.argmax(0)
    ex = np.stack([e for e, _ in store])[bi, np.arange(C)]
    r = np.stack([x for _, x in store])[bi, np.arange(C)].astype(int)
    S = np.zeros((C, H + 1))
    DBh = np.full((C, H + 1), -RANGE_DB)
    ci = np.repeat(np.arange(C), K)
    rr = np.minimum(r, H + 1).ravel()
    ok = rr <= H
    np.maximum.at(S, (ci[ok], rr[ok]), (ex * s[None]).ravel()[ok])
    dbr = np.where(ex > 0.3, db[None] - top, -RANGE_DB).ravel()
    np.maximum.at(DBh, (ci[ok], rr[ok]), dbr[ok])
    # fifth layer: odd multiples of 1.5 c
    q2 = q / 1.5
    r2 = np.round(q2)
    r2 = np.maximum(1, r2)
    dev2 = 1200 * np.log2(q2 / r2)
    odd = (r2 % 2 == 1) & (r2 <= 9)
    ex5 = np.exp(-0.5 * (dev2 / 22) ** 2) * odd * (1 - ex)
    un = np.clip(1 - ex - ex5, 0, 1)
    E1 = (ex * sk).sum(1) / T
    E5 = (ex5 * sk).sum(1) / T
    A1 = (ex * a3).sum(1) / A3
    A5 = (ex5 * a3).sum(1) / A3
    below = pf[None] < 0.96 * c[:, None]
    lowmax = np.where(below, db[None] - top, -RANGE_DB).max(1)
    lowsum = (below * sk).sum(1) / T
    low_un_above = (un * ~below * sk).sum(1) / T
    hs = np.arange(H + 1)

    def frac(sel):
        return S[:, sel].sum(1)

    tot = S[:, 1:17].sum(1) + 1e-6
    odds = frac([1, 3, 5, 7, 9, 11, 13, 15]) / tot
    odds_no1 = frac([3, 5, 7, 9, 11, 13, 15]) / tot
    cop6 = frac([1, 5, 7, 11, 13]) / tot
    n3 = frac([h for h in range(1, 17) if h % 3]) / tot
    n4 = frac([h for h in range(1, 17) if h % 4]) / tot
    cop6n1 = frac([5, 7, 11, 13]) / tot
    # holes up to the highest solidly present harmonic <= 12
    pres = S > 0.15
    hm = np.where(pres[:, 1:13].any(1), 12 - np.argmax(pres[:, 12:0:-1], 1), 0)
    cnt = np.array([pres[i, 1 : hm[i] + 1].sum() for i in range(C)])
    dens = cnt / np.maximum(1, hm)
    cosn = (a3[None] * np.cos(2 * np.pi * q)).sum(1) / A3
    cosh = (a3[None] * np.cos(np.pi * q)).sum(1) / A3  # period halved: octave-up check
    cos3 = (a3[None] * np.cos(2 * np.pi * q / 3)).sum(1) / A3
    p20 = pf[db > top - 20].min()
    p35 = pf[db > top - 35].min()
    pm = pf[db.argmax()]
    islow20 = np.exp(-0.5 * (1200 * np.log2(c / p20) / 30) ** 2)
    islow35 = np.exp(-0.5 * (1200 * np.log2(c / p35) / 30) ** 2)
    ismax = np.exp(-0.5 * (1200 * np.log2(c / pm) / 30) ** 2)
    lf = np.log2(c / 220)
    SN = np.zeros((C, 4))
    h1 = ex * snr[None]
    for j in (1, 2, 3):
        SN[:, j] = (h1 * (r == j)).max(1)
    Q1 = (ex * sq[None]).sum(1) / (sq.sum() + 1e-9)
    smax = np.full(C, snr.max())
    lowsnr = np.where(below, snr[None], 0).max(1)
    centroid = (a3 * np.log2(pf)).sum() / A3
    f1 = 1 + DBh[:, 1] / RANGE_DB
    f2 = 1 + DBh[:, 2] / RANGE_DB
    f3 = 1 + DBh[:, 3] / RANGE_DB
    X = np.stack(
        [
            E1,
            E5,
            A1,
            A5,
            1 + lowmax / RANGE_DB,
            lowsum,
            low_un_above,
            S[:, 1],
            S[:, 2],
            S[:, 3],
            S[:, 4],
            S[:, 5],
            S[:, 6:9].sum(1),
            f1,
            f2,
            f3,
            np.maximum(f1, f2),
            odds,
            odds_no1,
            cop6,
            cop6n1,
            n3,
            n4,
            dens,
            hm / 12,
            np.minimum(cnt, 8) / 8,
            cosn,
            cosh,
            cos3,
            islow20,
            islow35,
            ismax,
            lf,
            lf**2,
            np.log2(c) - centroid,
            np.full(C, np.log2(K) / 6),
            bi / 5.0,
            # relative to best candidate in the list
            E1 - E1.max(),
            (E1 + E5) - (E1 + E5).max(),
            A1 - A1.max(),
            cosn - cosn.max(),
            f1 * odds,
            f1 * dens,
            E1 * odds,
            E1 * dens,
            SN[:, 1],
            SN[:, 2],
            SN[:, 3],
            SN[:, 1] - smax,
            Q1,
            Q1 - Q1.max(),
            smax,
            lowsnr,
            lowsnr - SN[:, 1],
            np.full(C, min(nfr, 12) / 12),
        ],
        1,
    )
    return X, dict(ex=ex, r=r, B=BS[bi], ex5=ex5, E1=E1, A1=A1)


FN = "E1 E5 A1 A5 lowmax lowsum unabove S1 S2 S3 S4 S5 S678 f1 f2 f3 f12 odds oddsn1 cop6 cop6n1 n3 n4 dens hm cnt cosn cosh cos3 low20 low35 ismax lf lf2 lfc nK B rE1 rE15 rA1 rcos f1odds f1dens E1odds E1dens SN1 SN2 SN3 SN1r Q1 rQ1 smax lowsnr lowsnr1 nfr".split()


def analyse(y, sr):
    y = np.asarray(y, float)
    y = y - y.mean()
    m = np.abs(y).max()
    if m <= 0:
        return None
    y = y / m
    P, df, L, reg, N = spectrum(y, sr)
    pk = peaks(P, df)
    if pk is None:
        return None
    pf, db, fl, top, pb, D = pk
    c = candidates(pf, db)
    if len(c) == 0:
        return None
    X, aux = features(c, pf, db, fl, df, len(P))
    return dict(y=y, P=P, df=df, N=N, L=L, reg=reg, pf=pf, db=db, fl=fl, pb=pb, c=c, X=X, aux=aux)


# ---------------------------------------------------------------- fine pitch
def refine(y, sr, reg, f, B, hmax=12):
    from scipy.fft import rfft, next_fast_len

    """amplitude-weighted least squares on partial frequencies (power centroids) -> f1, B, sd (cents), n"""
    st, en = reg
    en = min(en, st + int(3.0 * sr))
    x = y[st:en]
    n = max(next_fast_len(len(x), True), 1 << 15)
    S = rfft(x * window(len(x)), n)
    P = S.real**2 + S.imag**2
    df = sr / n
    wb = 3.0 * n / len(x)  # half main lobe in bins
    hs, cv, am = [], [], []
    for h in range(1, hmax + 1):
        fc = f * h * np.sqrt((1 + B * h * h) / (1 + B))
        if fc > 0.45 * sr or fc > 14000:
            break
        c0 = fc
        for it in range(2):
            hw = max(fc * 0.0205 if it == 0 else fc * 0.017, wb * df)  # +-35 / +-29 cents
            hw = min(hw, 0.4 * f)
            a = max(1, int((c0 - hw) / df))
            b = int((c0 + hw) / df) + 2
            p = P[a:b]
            m = p.max()
            q = np.where(p > m * 0.01, p, 0)
            c0 = (q * np.arange(a, b)).sum() / q.sum() * df if m > 0 else fc
        hs.append(h)
        cv.append(1200 * np.log2(c0 / (f * h)))
        am.append(np.sqrt(q.sum()))
    hs = np.array(hs, float)
    cv = np.array(cv)
    am = np.array(am)
    w = np.sqrt(am / am.max()) * (am > am.max() * 10 ** (-35 / 20))
    # plain (harmonic) estimate: robust weighted mean
    o = np.argsort(cv)
    cw = np.cumsum(w[o])
    med = cv[o][min(len(o) - 1, np.searchsorted(cw, cw[-1] / 2))]
    wr = w / (1 + ((cv - med) / 8.0) ** 2)
    c = (wr * cv).sum() / wr.sum()
    r0 = (w * np.minimum(np.abs(cv - c), 30) ** 2).sum() / w.sum()
    Bf = 0.0
    ok = w > 0
    if ok.sum() >= 4 and hs[ok].max() >= 5:
        A = np.stack([np.ones(len(hs)), hs**2 - 1], 1)
        wi = w * np.sqrt(hs)
        sol = None
        for it in range(3):
            sol = np.linalg.lstsq(A * np.sqrt(wi)[:, None], cv * np.sqrt(wi), rcond=None)[0]
            res = cv - A @ sol
            wi = w * np.sqrt(hs) / (1 + (res / 5.0) ** 2)
        r1 = (w * np.minimum(np.abs(res), 30) ** 2).sum() / w.sum()
        Bc = sol[1] * np.log(2) / 600
        if 1e-5 < Bc < 2e-2 and r1 < 0.35 * r0 and r0 > 1.5:
            c, Bf, r0 = sol[0], Bc, r1
    return f * 2 ** (c / 1200), Bf, float(np.sqrt(r0)), int(ok.sum())


_here = os.path.dirname(os.path.abspath(__file__))
_W = None


def load_weights():
    global _W
    if _W is None:
        _W = json.loads(__import__("pathlib").Path(_here, "root_interim.json").read_text())
        for k in ("rank", "conf"):
            for W in _W.get(k, []):
                for q in W:
                    W[q] = np.array(W[q])
    return _W


def mlp(W, X):
    x = (X - W["mu"]) / W["sd"]
    z = x @ W["l"]
    if "A" in W:
        z = z + np.tanh(x @ W["A"].T + W["a"]) @ W["b"]
    return z + W.get("c", 0)


def conf_features(d, i, z, f):
    """features of the winner used for the confidence"""
    P, df, pf, db, fl = d["P"], d["df"], d["pf"], d["db"], d["fl"]
    ex = d["aux"]["ex"][i]
    r = d["aux"]["r"][i]
    Pm = P.mean(0)
    hi = min(len(Pm), int(12000 / df))
    lo = int(20 / df)
    Q = Pm[lo:hi]
    fr = (np.arange(lo, hi)) * df
    g = np.sqrt(Q)
    cq = np.cos(2 * np.pi * fr / f)
    cosP = (Q * cq).sum() / Q.sum()
    cosA = (g * cq).sum() / g.sum()
    # tonal power: within +-4 bins of any picked peak
    cs = np.concatenate([[0], np.cumsum(Q)])
    idx = np.round(pf / df).astype(int) - lo
    m = np.zeros(len(Q), bool)
    for k in range(-4, 5):
        m[np.clip(idx + k, 0, len(Q) - 1)] = True
    tonal = Q[m].sum() / Q.sum()
    harm = 0.0
    m2 = np.zeros(len(Q), bool)
    for k in range(-4, 5):
        m2[np.clip(idx[ex > 0.4] + k, 0, len(Q) - 1)] = True
    harm = Q[m2].sum() / Q.sum()
    flat = np.log10(np.exp(np.mean(np.log(Q + 1e-14))) / (Q.mean() + 1e-14))
    zs = np.sort(z)[::-1]
    p = np.exp(z - zs[0])
    near = np.abs(np.log2(d["c"] / d["c"][i])) < 60 / 1200
    pr = p[near].sum() / p.sum()
    snr = db - fl
    wsn = (10 ** (db / 20) * snr).sum() / (10 ** (db / 20)).sum()
    # sharpness of the strongest peaks: level at +-6 bins under the peak
    o = np.argsort(-db)[:5]
    D10 = 10 * np.log10(Pm + 1e-16)
    kk = np.round(pf[o] / df).astype(int)
    sharp = np.mean([D10[k] - 0.5 * (D10[max(0, k - 7)] + D10[min(len(D10) - 1, k + 7)]) for k in kk])
    dur = (d["reg"][1] - d["reg"][0]) / (d["N"] / df * 0 + d["sr"])
    x = d["X"][i]
    return np.concatenate(
        [
            [
                cosP,
                cosA,
                tonal,
                harm,
                flat,
                pr,
                np.log(1e-4 + 1 - pr),
                snr.max() / 60,
                wsn / 60,
                sharp / 40,
                np.log(dur + 1e-3),
                len(P) / 14,
                np.log2(len(pf)) / 6,
            ],
            x,
        ]
    )


def estimate(y, sr, full=False):
    y = np.asarray(y, float)
    if y.ndim > 1:
        y = y.mean(1)
    d = analyse(y, sr)
    if d is None:
        return dict(f0=float("nan"), confidence=0.0, pitched=False)
    W = load_weights()
    z = sum(mlp(w, d["X"]) for w in W["rank"]) / len(W["rank"])
    i = int(z.argmax())
    f, B, sd, n = refine(d["y"], sr, d["reg"], d["c"][i], d["aux"]["B"][i])
    if abs(np.log2(f / d["c"][i])) > 50 / 1200:
        f = d["c"][i]
    d["sr"] = sr
    cf = conf_features(d, i, z, f)
    cf = np.concatenate([cf, [min(sd, 30) / 30, n / 12]])
    conf = 0.5
    if W.get("conf"):
        conf = float(1 / (1 + np.exp(-np.mean([mlp(w, cf) for w in W["conf"]]))))
    out = dict(f0=float(f), confidence=conf, B=float(B), cents_sd=sd, n=n, pitched=conf >= 0.5)
    if full:
        out.update(cf=cf, d=d, z=z)
    return out
