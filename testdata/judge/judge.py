#!/usr/bin/env python3
"""A judge of hands-free capture that sees the program from outside alone.

    judge.py BIN FAMILY[,FAMILY...]|all [VISITS] [RATE] [SEED]    a line of JSON a family
    judge.py list                                                 the families
    judge.py --check [VISITS] [SEED]                              judges the judge itself

VISITS is 60, RATE 20 samples a second, SEED 1 when left out. BIN is the built program.

A modelled hand rocks a two-point gauge, r(tilt) = S + k (sec tilt - 1), or holds a
three-point gauge until it rests. What the gauge would have sent is written as a recording
and played by "BIN replay"; its raw readings are compared with the true size S. A reading
is false that is off by more than 1 um and a step of the display, or is of a visit
that has no size to be read.

It was written by an author who had read neither the capture nor the project's simulator,
so its hands are other hands. It may be used as the rest of the project (LICENSE). To
keep it independent, choose no constant of the capture by its figures, and mend only what
is wrong in it.

The models are from memory of the literature:
    strokes of least jerk                               Flash and Hogan 1985
    of least change of torque, a joint with viscosity   Uno, Kawato and Suzuki 1989
    sigma-lognormal strokes that overlap                Plamondon 1995
    a limit cycle, Rayleigh and Van der Pol mixed       Kay, Kelso, Saltzman and Schoener 1987
    a mass that follows a moving equilibrium            Feldman 1966; Bizzi 1984
    a first move and corrections after it               Meyer 1988; Milner 1992
    noise that grows with the signal                    Harris and Wolpert 1998
    intervals of a timekeeper with delays of the hand   Wing and Kristofferson 1973
    tremor of 8 to 12 Hz                                Elble and Koller 1990

Lengths in mm, tilts in degrees, times in s; errors are printed in um. Needs Python 3 alone.
"""
import datetime, json, math, os, random, statistics, subprocess, sys, tempfile

DT = 0.005                       # grid of the motion
D, TIP = 31.75, 2.0
K = D - 2*TIP
RAD = math.pi/180
U = lambda g, a, b: g.uniform(a, b)

# ---------------------------------------------------------------- profiles of a stroke, 0..1 -> 0..1
def minjerk(u): return u*u*u*(10 - 15*u + 6*u*u)
def cosine(u): return (1 - math.cos(math.pi*u))/2
def mintorque(alpha):
    """x = a t + b t^3 + c sinh(alpha t), t = u - 1/2; x(1/2) = 1/2, x' = x'' = 0 there."""
    h = alpha/2; sh, ch = math.sinh(h), math.cosh(h)
    # 3 b + c alpha^2 sinh = 0; a + 3b/4 + c alpha cosh = 0; a/2 + b/8 + c sinh = 1/2
    c = 1.0; b = -c*alpha*alpha*sh/3; a = -0.75*b - c*alpha*ch
    n = (a/2 + b/8 + c*sh)*2
    return lambda u: 0.5 + (a*(u - .5) + b*(u - .5)**3 + c*math.sinh(alpha*(u - .5)))/n
def trapeze(f):
    """Velocity rises and falls linearly for the share f of the time at each end."""
    v = 1/(1 - f)
    def p(u):
        if u > .5: return 1 - p(1 - u)
        return v*u*u/(2*f) if u < f else v*(u - f/2)
    return p
def skewed(p, s): return lambda u: p(u**s)          # s < 1: early peak of speed
def submoves(g, p, lo=.65, hi=.9):
    """A first move of lo to hi of the way, corrections after it, overlapping more or less."""
    a, n = U(g, lo, hi), g.choice((1, 1, 2)); parts = [(0.0, U(g, .55, .7), a)]; left = 1 - a
    for i in range(n):
        w = left if i == n - 1 else left*U(g, .4, .7)
        left -= w; b = U(g, .45, .7) if i == 0 else U(g, .6, .75)
        parts.append((b, min(1 - b, U(g, .25, .5)), w))
    return lambda u: sum(w*p(min(1, max(0, (u - b)/d))) for b, d, w in parts)
def halting(g, p):
    """Stops in the middle, anywhere between 30 and 70 % of the way."""
    a, b, d = U(g, .3, .7), U(g, .35, .45), U(g, .05, .25)
    return lambda u: a*p(min(1, u/b)) + (1 - a)*p(min(1, max(0, (u - b - d)/(1 - b - d))))

# ---------------------------------------------------------------- ways from turning point to turning point
def intervals(g, T, n, sdc=.06, sdm=.02):
    m = [g.gauss(0, sdm) for _ in range(n + 1)]
    return [T*max(.4, 1 + g.gauss(0, sdc) + m[i + 1] - m[i]) for i in range(n)]
def strokes(xs, ts, prof, dwell):
    """prof() gives a profile for each stroke, dwell() the rest after each."""
    th, t, end = [], 0.0, 0.0
    for i, T in enumerate(ts):
        p, x0, x1, b = prof(), xs[i], xs[i + 1], end
        end = b + T
        while t < end: th.append(x0 + (x1 - x0)*p((t - b)/T)); t += DT
        end += dwell()
        while t < end: th.append(x1); t += DT
    return th
def lognormal(g, xs, ts):
    """Strokes that overlap: x = x0 + sum of D Phi((ln(t - t0) - mu)/sigma), an antagonist in each."""
    parts, b, sg, ov = [], -0.1, U(g, .25, .5), U(g, 0, .08)
    for i, T in enumerate(ts):
        d, s = xs[i + 1] - xs[i], sg*(1 + g.gauss(0, .08)); o = ov*U(g, .5, 1.5)
        parts += [(b, math.log(.5*T), s, d*(1 + o)), (b + .12*T, math.log(.75*T), s*.8, -d*o)]
        b += T
    th, t = [], 0.0
    while t < b + .15:
        x = xs[0]
        for t0, mu, s, d in parts:
            if t - t0 > 6: x += d
            elif t > t0 + 1e-6: x += d*(1 + math.erf((math.log(t - t0) - mu)/(s*1.41421356)))/2
        th.append(x); t += DT
    return th
def equilibrium(g, xs, ts):
    """The equilibrium moves evenly, rests for the rest of the interval; mass, spring and damper follow."""
    w, z, share = 2*math.pi*U(g, 1.6, 3), U(g, .55, 1), U(g, .5, .9)
    x, v, th = xs[0], 0.0, []
    for i, T in enumerate(ts):
        n = round(T/DT)
        for j in range(n):
            e = xs[i] + (xs[i + 1] - xs[i])*min(1, j*DT/(share*T))
            v += DT*(w*w*(e - x) - 2*z*w*v); x += DT*v; th.append(x)
    while abs(v) > .3 and len(th) < 6000:
        v += DT*(w*w*(xs[-1] - x) - 2*z*w*v); x += DT*v; th.append(x)
    return th
def limitcycle(g, A, T, c, n, rate=lambda t: 1.0, noise=None):
    """x'' = -w^2 x + e w (1 - x^2 - (x'/w)^2 ... ) x', noise in force and in pace; n half turns."""
    w0, e, mix = math.pi/T, U(g, .3, 1.2), U(g, 0, 1); q = U(g, .1, .4) if noise is None else noise
    x, v, pace, th, turns, t = 1.0, 0.0, 0.0, [], 0, 0.0
    side = 1 if g.random() < .5 else -1
    while turns < n and t < 40:
        pace += -pace*DT/.8 + .12*q*math.sqrt(DT)*g.gauss(0, 1)/.63*2
        w = w0*rate(t)*math.exp(max(-.5, min(.5, pace)))
        y = v/w
        a = -w*w*x + e*w*(1 - 4*mix*x*x - (1 - mix)*4/3*y*y)*v
        was = v; v += DT*a + q*w*math.sqrt(w*DT)*.18*g.gauss(0, 1); x += DT*v; t += DT
        th.append(c + side*A*x)
        if was*v < 0 and t > .2*T and (x > 0) == (turns % 2 == 1): turns += 1
    return th
def tremor(g, th, rms):
    """Second-order resonance at 8-12 Hz driven by white noise; wander of 1/3 of it below 1 Hz."""
    if not th: return th
    w, z = 2*math.pi*U(g, 8, 12), .15
    x = v = y = 0.0; out = []; ys = []
    for _ in th:
        v += DT*(-w*w*x - 2*z*w*v) + math.sqrt(DT)*g.gauss(0, 1); x += DT*v; out.append(x)
        y += -y*DT/.4 + math.sqrt(DT)*g.gauss(0, 1); ys.append(y)
    a = rms/(math.sqrt(sum(q*q for q in out)/len(out)) or 1); b = rms/3/(math.sqrt(sum(q*q for q in ys)/len(ys)) or 1)
    return [h + a*q + b*r for h, q, r in zip(th, out, ys)]
def sdn(g, th, cv):
    """Speed with multiplicative noise (correlated over 50 ms); the place is led back over 0.5 s."""
    e, n, out = 0.0, 0.0, [th[0]]
    for a, b in zip(th, th[1:]):
        n += -n*DT/.05 + math.sqrt(2*DT/.05)*g.gauss(0, 1)
        e += (b - a)*cv*n - e*DT/.5; out.append(b + e)
    return out

# ---------------------------------------------------------------- visits
class Visit:
    """v: what an ideal gauge shows on the grid; th: tilt (None where there's none);
    passes: times from t0 of true passes, sp: size at each; need: True must be read,
    'near' may be read within 1 um, False must not be read at all."""
    need = True; t0 = 0.0; S = 0.0; passes = (); sp = (); out = 0.0; settled = False; th = None; inside = (0, 0)
def crossings(th, n0, n1, hys=.1):
    """Times at which the tilt goes through square; on both sides it goes hys beyond."""
    out, side, last = [], 0, None
    for i in range(n0, n1):
        x = th[i]
        if i > n0 and th[i - 1]*x <= 0 and th[i - 1] != x: last = (i - 1 + th[i - 1]/(th[i - 1] - x))*DT
        if abs(x) > hys:
            s = 1 if x > 0 else -1
            if side and s != side: out.append(last)
            side = s
    return out
def size_at(S, th): return S + K*(1/math.cos(th*RAD) - 1)
def finish(g, th, S, air, need=True, Sz=None, engaged=None, straighten=.3):
    """Insertion at the first tilt, the rock, withdrawal at the last one (now and then straightened)."""
    vis = Visit(); vis.S, vis.need = S, need
    a, b = round(U(g, .3, .5)/DT), round(U(g, .3, .5)/DT)
    n = len(th); full = [th[0]]*a + th + [th[-1]]*b
    if need is True and g.random() < straighten:
        for i in range(b): full[a + n + i] = th[-1]*(1 - .9*minjerk(i/b))
    e = [minjerk(i/a) for i in range(a)] + (engaged or [1]*n) + [1 - minjerk((i + 1)/b) for i in range(b)]
    sz = ([Sz[0]]*a + Sz + [Sz[-1]]*b) if Sz else [S]*len(full)
    vis.v = [min(air, air - (air - size_at(s, h))*q) for h, q, s in zip(full, e, sz)]
    first = a + (next(i for i, q in enumerate(engaged) if all(x == 1 for x in engaged[i:i + 20])) if engaged else 0)
    vis.passes = crossings(full, first, a + n)
    vis.sp = [sz[int(p/DT)] for p in vis.passes]
    vis.th, vis.inside, vis.out = full, (a, a + n), (a + n)*DT
    return vis
def hand(g, lim=None):
    """Amplitude and time of a stroke of one visit, and where the rock has its middle."""
    A = U(g, 2.5, 6); A = min(A, lim) if lim else A
    T = U(g, .55, 1.3)*(A/4)**.3
    return A, T, g.gauss(0, .12)*A
def targets(g, A, c, n, sd=.08, bias=0.0):
    s = g.choice((1, -1))
    return [c + s*(-1)**i*A*max(.5, 1 + g.gauss(0, sd)) + bias for i in range(n + 1)]
STYLES = ('minjerk', 'mintorque', 'lognormal', 'limitcycle', 'equilibrium', 'submove', 'sdn', 'dwell', 'trapeze')
def rock(g, style, A, T, c, n, sd=.08):
    xs = targets(g, A, c, n, sd); ts = intervals(g, T, n)
    short = lambda: max(0, g.gauss(.02, .02)); trem = U(g, .005, .02)
    if style == 'mix': style = g.choice(STYLES)
    if style == 'limitcycle': th = limitcycle(g, A, T, c, n)
    elif style == 'lognormal': th = lognormal(g, xs, ts)
    elif style == 'equilibrium': th = equilibrium(g, xs, ts)
    else:
        al = U(g, 2, 14); mt = mintorque(al); dw = U(g, .15, .6); f = U(g, .15, .4); tz = trapeze(f)
        th = strokes(xs, ts, {'minjerk': lambda: minjerk, 'mintorque': lambda: mt, 'trapeze': lambda: tz,
            'submove': lambda: submoves(g, minjerk, .75, .95) if g.random() < .4 else minjerk, 'submove_all': lambda: submoves(g, minjerk), 'halting': lambda: halting(g, minjerk),
            'sdn': lambda: minjerk, 'dwell': lambda: g.choice((minjerk, mt))}[style],
            (lambda: dw*U(g, .5, 1.5)) if style == 'dwell' else short)
        if style == 'sdn': th = sdn(g, th, U(g, .1, .3)); trem = U(g, .03, .1)
    return tremor(g, th, trem)
def rocked(style, n=12):
    def f(g, S, air, lim): return finish(g, rock(g, style, *hand(g, lim), n), S, air)
    return f
def drifting(g, S, air, lim):
    A, T, c = hand(g, lim); th = rock(g, 'mix', A, T, c, 12)
    e, v, m = 0.0, U(g, -.15, .15)*A/6, .4*A                      # degrees a second, and a wander
    for i in range(len(th)):
        e += v*DT + g.gauss(0, .25)*math.sqrt(DT); e = max(-m, min(m, e)); th[i] += e
    return finish(g, th, S, air)
def impatient(g, S, air, lim):
    A, T, c = hand(g, lim); q = U(g, .07, .14); n = 12; T *= 1.2
    if g.random() < .4: return finish(g, tremor(g, limitcycle(g, A, T, c, n, lambda t: 1 + q*t), .015), S, air)
    xs = [c + (x - c)*(1 - .04*i) for i, x in enumerate(targets(g, A, c, n))]
    ts = [t*max(.4, 1 - .05*i) for i, t in enumerate(intervals(g, T, n))]
    return finish(g, tremor(g, strokes(xs, ts, lambda: g.choice((minjerk, cosine)), lambda: 0), .015), S, air)
def asym(g, S, air, lim):
    A, T, c = hand(g, lim); c = g.choice((1, -1))*U(g, .2, .55)*A*.8; A *= .8; n = 12
    xs = targets(g, A, c, n); r = U(g, 1.3, 2.2); ts = [t*(r if i % 2 else 1/r**.5) for i, t in enumerate(intervals(g, T, n))]
    ps = [skewed(minjerk, U(g, .65, .95)), skewed(minjerk, U(g, 1, 1.4))]; i = [0]
    def prof(): i[0] += 1; return ps[i[0] % 2]
    return finish(g, tremor(g, strokes(xs, ts, prof, lambda: U(g, 0, .1)), .015), S, air)
def leaning(g, S, air, lim):
    """The far end lies 0.4-1 degree beyond square, the near one 3-7."""
    s, near, e = g.choice((1, -1)), min(lim or 9, U(g, 3, 7)), U(g, .4, 1)
    xs = [s*near*(1 + g.gauss(0, .06)) if i % 2 == 0 else -s*max(.38, e*(1 + g.gauss(0, .15))) for i in range(15)]
    T = U(g, .5, 1.1)*((near + e)/8)**.3; p = g.choice((minjerk, cosine, mintorque(6), skewed(minjerk, .8)))
    return finish(g, tremor(g, strokes(xs[:13], intervals(g, T, 12), lambda: p, lambda: U(g, 0, .15)), .01), S, air)
def one_sided(g, near, A, T, n, s, bounce=False):
    """Swings on one side of square, near() degrees before it."""
    xs = [s*(near() if i % 2 else A*(1 + g.gauss(0, .07))) for i in range(2*n + 1)]
    ts = intervals(g, T, 2*n); w = g.random()
    p = g.choice((minjerk, cosine, mintorque(6), trapeze(.25), skewed(minjerk, .8)))
    dw = g.choice((0, 0, U(g, .05, .3)))
    if bounce: p, dw, w = trapeze(U(g, .06, .15)), 0, 1
    th = equilibrium(g, xs, ts) if w < .2 else strokes(xs, ts, lambda: p, lambda: dw*U(g, .5, 1.5))
    return th
def never(regular, bounce=False):
    """Turns back 0.1-2 degrees before square; bounce: in about 0.1 s, as against a stop."""
    def f(g, S, air, lim):
        A, T, _ = hand(g, lim); s, c = g.choice((1, -1)), U(g, .1, 2); T *= .8
        near = (lambda: c*(1 + g.gauss(0, .03))) if regular else (lambda: U(g, .1, 2))
        th = tremor(g, one_sided(g, near, A, T, g.randint(5, 8), s, bounce), U(g, .004, .015))
        m = min(s*x for x in th)
        if m < .08: th = [x + s*(.08 - m) for x in th]            # it never comes square
        return finish(g, th, S, air, 'near')
    return f
def late(g, S, air, lim):
    """Two to five swings that turn 0.6-2 degrees before square, then true rocking."""
    A, T, c = hand(g, lim); s = g.choice((1, -1))
    th = one_sided(g, lambda: U(g, .6, 2), A, T*.8, g.randint(2, 5), s)
    if min(s*x for x in th) < .3: th = [x + s*(.3 - min(s*y for y in th)) for x in th]
    x0 = th[-1]; xs = targets(g, A, c, 10); xs = [abs(x)*s*(-1)**i for i, x in enumerate(xs)]; xs[0] = x0
    p = g.choice((minjerk, cosine, mintorque(6)))
    return finish(g, tremor(g, th + strokes(xs, intervals(g, T, 10), lambda: p, lambda: 0), .012), S, air)
def fumbling(g, S, air, lim):
    """Half engaged it is tilted to and fro two to four times at 1-7 degrees on one side; then it rocks."""
    A, T, c = hand(g, lim); th = rock(g, g.choice(('minjerk', 'mintorque', 'trapeze')), A, T, c, 12); s = 1 if th[0] > 0 else -1
    n = g.randint(2, 4); xs = [s*(U(g, 1, 2.5) if i % 2 else U(g, 4, 7)) for i in range(2*n)] + [th[0]]
    pre = strokes(xs, [U(g, .25, .6) for _ in range(2*n)], lambda: minjerk, lambda: U(g, 0, .15))
    lv = [U(g, .55, .98) for _ in range(n*2)] + [1]; en = [];
    for i in range(len(pre)):
        u = i/len(pre)*(len(lv) - 1); j = min(int(u), len(lv) - 2); en.append(lv[j] + (lv[j + 1] - lv[j])*minjerk(u - j))
    return finish(g, pre + th, S, air, engaged=en + [1]*len(th))
def pausing(g, S, air, lim):
    """One pass, a rest of 1-3 s at a tilt (now and then close to square), then on."""
    A, T, c = hand(g, lim); xs = targets(g, A, c, 11); xs[1] = math.copysign(U(g, .5, 3), xs[1])
    i, rest = [0], U(g, 1, 3)
    def dw(): i[0] += 1; return rest if i[0] == 1 else 0
    p = g.choice((minjerk, cosine, mintorque(6)))
    return finish(g, tremor(g, strokes(xs, intervals(g, T, 11), lambda: p, dw), .02), S, air)
def tapered(g, S, air, lim):
    """Rocked while it slides 0.5-2 mm/s along a taper of 3-10 um over 60 mm."""
    th = rock(g, 'mix', *hand(g, lim), 12); q = g.choice((1, -1))*U(g, 3, 10)*1e-3/60*U(g, .5, 2)*DT
    return finish(g, th, S, air, Sz=[S + q*i for i in range(len(th))])
def parked(g, S, air, lim):
    """Held at a tilt for 4-10 s; slow wander and tremor."""
    s, c = g.choice((1, -1)), U(g, .8, 4); n = round(U(g, 4, 10)/DT); f, p = U(g, .1, .4), U(g, 0, 6)
    th = tremor(g, [s*(c + .15*math.sin(6.283*f*i*DT + p)) for i in range(n)], U(g, .01, .05))
    return finish(g, th, S, air, False)
def dragged(g, S, air, lim):
    """Held at a tilt and stroked 5-15 mm to and fro over a taper and a waist."""
    s, c = g.choice((1, -1)), U(g, .8, 3); z = U(g, 10, 50); L = U(g, 5, 15)
    zs = strokes([z + (L if i % 2 else 0) for i in range(11)], intervals(g, U(g, .5, 1.1), 10), lambda: minjerk, lambda: U(g, 0, .1))
    a, b = g.choice((1, -1))*U(g, 5, 20)*1e-3/60, U(g, 0, 10)*1e-3/225; zw = z + U(g, 0, 1)*L
    th = tremor(g, [s*c + .1*math.sin(i*DT) for i in range(len(zs))], U(g, .01, .04))
    return finish(g, th, S, air, False, Sz=[S + a*(q - z) + b*(q - zw)**2 for q in zs])
def finger(g, S, air, lim):
    """A finger presses the contact three to six times in free air, 20-300 um above and below the size."""
    vis = Visit(); vis.S, vis.need, v = S, False, []
    for _ in range(g.randint(3, 6)):
        d = S + U(g, -.05, .3); a, h, b = (round(U(g, *x)/DT) for x in ((.15, .5), (0, .3), (.15, .5)))
        d = min(d, air - .03)
        v += [air - (air - d)*minjerk(i/a) for i in range(a)] + [d]*h + [d + (air - d)*minjerk(i/b) for i in range(b)] + [air]*round(U(g, 0, .3)/DT)
    vis.v, vis.out = v, len(v)*DT
    return vis
def pendulum(g, S, air, lim):
    A, T = min(lim or 9, U(g, 3.5, 5)), U(g, .8, 1); n = round(12*T/DT); s = g.choice((1, -1))
    return finish(g, [s*A*math.cos(math.pi*i*DT/T) for i in range(n)], S, air, straighten=0)

def rest(kind):
    """A three-point gauge at rest; the true size is the level it ends at."""
    def f(g, S, air, lim):
        vis = Visit(); vis.S, vis.settled, vis.need = S, True, kind != 'never'
        a, b = round(U(g, .3, .5)/DT), round(U(g, .3, .5)/DT); n = round(U(g, 3, 6)/DT); w = []
        tau, C = U(g, .1, .4), g.choice((1, 1, -1))*U(g, .003, .02); off, slip = U(g, .002, .01), U(g, .2, .5)
        drift, ph = g.choice((1, -1))*U(g, .003, .01), U(g, 0, 6)
        for i in range(n):
            t = i*DT; x = S
            if kind in ('creep', 'never'): x += C*math.exp(-t/tau)
            if kind == 'slow': x += C*(.7*math.exp(-t/tau) + .1*math.exp(-t/.8))
            if kind == 'stick' and t < slip: x += off
            if kind == 'stick' and slip <= t: x += off*math.exp(-(t - slip)/.03)
            if kind == 'never': x += drift*t + .003*math.sin(6*t + ph)
            w.append(x)
        x0, x1 = w[0], w[-1]
        vis.v = [air - (air - x0)*minjerk(i/a) for i in range(a)] + w + [x1 + (air - x1)*minjerk((i + 1)/b) for i in range(b)]
        vis.out = (a + n)*DT; vis.passes = [a*DT]; vis.sp = [S]
        return vis
    return f

# ---------------------------------------------------------------- families: hand, and gauge where it isn't the usual
USUAL = dict(noise=.15, step=.1, stamp=1, avg=0, tau=0, lag=0, air=900, rate=0, lost=0, settled=False)
FAMILIES = {
    **{s: (rocked(s), {}) for s in STYLES}, 'submove_all': (rocked('submove_all'), {}), 'halting': (rocked('halting'), {}), 'drift': (drifting, {}),
    'impatient': (impatient, {}), 'three': (rocked('mix', 3), {}), 'beep': (rocked('mix'), {}), 'asym': (asym, {}),
    'lean': (leaning, {}), 'fumble': (fumbling, {}), 'pause': (pausing, {}), 'late': (late, {}), 'taper': (tapered, {}),
    'never_regular': (never(True), {}), 'never_irregular': (never(False), {}), 'never_bounce': (never(True, True), {}), 'parked': (parked, {}),
    'drag': (dragged, {}), 'finger': (finger, {}),
    **{'g_' + n: (rocked('mix'), o) for n, o in {
        'noise005': dict(noise=.05), 'noise03': dict(noise=.3), 'noise06': dict(noise=.6), 'step05': dict(step=.5), 'step1': dict(step=1),
        'step127': dict(step=1.27), 'step254': dict(step=2.54), 'rate10': dict(rate=10), 'rate25': dict(rate=25),
        'rate50': dict(rate=50), 'stamp4': dict(stamp=4), 'stamp16': dict(stamp=16), 'avg50': dict(avg=.05),
        'avg100': dict(avg=.1), 'tau20': dict(tau=.02), 'tau50': dict(tau=.05), 'delay50': dict(lag=.05),
        'air150': dict(air=150), 'air300': dict(air=300), 'lost': dict(lost=.03),
        'coarse': dict(noise=.6, step=1.27, stamp=16, avg=.05)}.items()},
    'g_never_step1': (never(False), dict(step=1, noise=.3, stamp=16)), 'g_parked_step1': (parked, dict(step=1, noise=.1)),
    **{'set_' + n: (rest(n), dict(settled=True, **o)) for n, o in {'level': {}, 'creep': {}, 'slow': {}, 'stick': {}, 'never': {}}.items()},
    'set_step1': (rest('creep'), dict(settled=True, step=1, noise=.3)), 'set_noise06': (rest('creep'), dict(settled=True, noise=.6)),
}

class Session:
    """All visits of one family, in line with the ring's visits, and what the gauge sends of them."""
    bias = None                      # of a gauge that averages or lags: its mean least value at a true pass less the size, um
    def __init__(self, family, n, rate, seed):
        make, over = FAMILIES[family]; self.family, self.g = family, {**USUAL, **over}
        self.rate = self.g['rate'] or rate; self.seed = f'{family}/{seed}'; g = random.Random(self.seed)
        self.air = D + self.g['air']*1e-3 + U(g, 0, .003)
        lim = math.degrees(math.acos(1/(1 + .8*(self.g['air'] - 60)*1e-3/K))) if self.g['air'] < 500 else None
        self.visits, self.rings, t = [], [], 1.0
        for i in range(4 + n):
            if i >= 4 and (i - 4) % 10 == 0: part = D + U(g, -.06, .06)*min(1, self.g['air']/600)
            S = D if i < 4 else part + g.gauss(0, .003)
            t += U(g, 2.5, 4); f = (rest('level') if self.g['settled'] else pendulum) if i < 4 else make
            v = f(g, S, self.air, lim); v.t0 = round(t/DT)*DT; t = v.t0 + len(v.v)*DT
            (self.rings if i < 4 else self.visits).append(v)
        self.total = t + 4
    def stream(self):
        """(time stamp, shown, ideal) of each sample. The same seed gives the same noise whatever the visits are."""
        o, g = self.g, random.Random(self.seed + '/gauge'); V = [self.air]*round(self.total/DT)
        for v in self.rings + self.visits:
            i = round(v.t0/DT); V[i:i + len(v.v)] = v.v
        if o['tau']:
            x, a = V[0], 1 - math.exp(-DT/o['tau'])
            for i, y in enumerate(V): x += a*(y - x); V[i] = x
        if o['avg']:
            m = round(o['avg']/DT); c = [0.0]
            for y in V: c.append(c[-1] + (y - self.air))
            V = [self.air + (c[i + 1] - c[max(0, i + 1 - m)])/min(m, i + 1) for i in range(len(V))]
        if o['tau'] or o['avg']:
            b = [min(V[int((v.t0 + p)/DT):int((v.t0 + p + .2)/DT)]) - s for v in self.visits for p, s in zip(v.passes, v.sp)]
            self.bias = statistics.fmean(b)*1e3 if b else None
        out, q, tick, last = [], o['step']*1e-3, o['stamp']*1e-3, 0.0
        period = (1 + g.gauss(0, 2e-4))/self.rate; n = int((self.total - .5)/period); phase = g.random()*period
        for j in range(n):
            noise, gone, late = g.gauss(0, o['noise']*1e-3), g.random(), g.expovariate(1/.0008)
            t = .2 + phase + j*period; u = t/DT; i = int(u); u -= i
            if i + 3 > len(V): break
            a, b, c, d = V[i - 1:i + 3]                              # cubic through four points
            y = -u*(u - 1)*(u - 2)/6*a + (u + 1)*(u - 1)*(u - 2)/2*b - (u + 1)*u*(u - 2)/2*c + (u + 1)*u*(u - 1)/6*d
            s = math.ceil((t + o['lag'] + .002 + late)/tick)*tick
            last = s = max(s, last)
            if gone >= o['lost']: out.append((s, round((y + noise)/q)*q, y))
        return out
    def write(self, folder):
        with open(os.path.join(folder, 'v.rec'), 'w') as f:
            f.write('# fairbore recording 1\ndriver: line\ninterface: serial\nsettings: 9600 8N1\nmade: by a judge, no device\ndate: 2026-11-29\n\n! 0.000000 "opened"\n')
            f.writelines('< %.6f "%+011.5f mm\\r\\n"\n' % (t, x) for t, x, _ in self.stream())
        o = self.g; band, lim = (.3, .1) if o['air'] > 500 else (.05, .045)
        with open(os.path.join(folder, 'c.yaml'), 'w') as f:
            f.write(f'''version: 1
site: judge
journal: {{path: j.db}}
web: {{listen: ""}}
mastering: {{readings: 3, spread: {2 + 2*o['step']:g} um, max_age: 1000h, max_readings: 1000000}}
gauges:
  G: {{driver: line, unit: mm, kind: {'three-point' if o['settled'] else 'two-point'}, reading_type: size{'' if o['settled'] else ', tip: 2 mm'}, step: {o['step']:g} um, repeatability: {max(.25, .6*o['noise']):g} um}}
rings:
  R: {{size: 31.75 mm, u: 0.2 um, material: steel}}
jobs:
  J: {{unit: mm, material: steel, nominal: 31.75 mm, low: {D - lim:.3f} mm, high: {D + lim:.3f} mm, plausible_range: {band} mm, length: 60 mm, sections: [5 mm, 15 mm, 25 mm, 35 mm, 45 mm], orientations: [0, 90], ring: R, face: front, blind: false}}
stations:
  - {{name: s, gauge: G, port: "recording:v.rec", capture: {'settled' if o['settled'] else 'turning'}, job: J, void_gesture: 0}}
''')
    def replay(self, binary):
        """(time, raw mm, standard uncertainty um or None) of each reading; other kinds of events counted."""
        with tempfile.TemporaryDirectory() as d:
            self.write(d)
            p = subprocess.run([os.path.abspath(binary), 'replay', '--config', 'c.yaml', '--master', 'v.rec'], cwd=d, capture_output=True, text=True, timeout=300)
        if p.returncode: sys.exit(self.family + ': ' + p.stderr[-500:])
        got, kinds = [], {}
        for line in p.stdout.splitlines():
            e = json.loads(line); kinds[e['kind']] = kinds.get(e['kind'], 0) + 1
            if e['kind'] == 'reading':
                r = e['reading']; at = datetime.datetime.fromisoformat(e['at'].replace('Z', '+00:00')[:26].split('+')[0].rstrip('.').ljust(19))
                got.append(((at - datetime.datetime(2026, 11, 29)).total_seconds(), r['raw_mm'], r.get('capture_u_um')))
        return got, kinds
    def pull_out(self, got):
        """Each hand goes on for its reaction time after the beep, then comes to a stand and withdraws."""
        g = random.Random(self.seed + '/beep')
        for i, v in enumerate(self.visits):
            b, w = U(g, .22, .45), round(U(g, .3, .5)/DT)
            at = [t for t, _, _ in got if v.t0 <= t < v.t0 + v.out]
            if not at: continue
            j = round((at[0] - v.t0 + b)/DT)
            if j + w >= len(v.v) - 1: continue
            j = max(j, 2); speed, th = (v.th[j] - v.th[j - 1])/DT, v.th[j]; new = v.v[:j]
            for m in range(w):
                th += speed*DT; speed *= 1 - DT/.08
                r = size_at(v.S, th); new.append(min(self.air, r + (self.air - r)*minjerk((m + 1)/w)))
            v.v = new + [self.air]*(len(v.v) - len(new)); v.out = j*DT; v.passes = [p for p in v.passes if p < j*DT]

def quantile(xs, q): xs = sorted(xs); return xs[min(len(xs) - 1, int(q*len(xs)))] if xs else None
def judge(ses, got, kinds):
    tol = 1 + ses.g['step']; vs = ses.visits; ends = [v.t0 for v in vs[1:]] + [1e9]
    good = taken = bad = dbl = none = lateone = early = 0; err, ratio, passes, delay = [], [], [], []
    for v, end in zip(vs, ends):
        rs = [r for r in got if v.t0 <= r[0] < end]; hit = False
        for j, (t, x, u) in enumerate(rs):
            p = [s for q, s in zip(v.passes, v.sp) if q <= t - v.t0]; w = p[-3:]             # the place where it is now
            e = (x - (sum(w)/len(w) if w else v.S))*1e3
            f = v.need is False or abs(e) > tol; hit |= f
            if j == 0:
                err.append(e); lateone += t - v.t0 > v.out; early += v.need is True and not p
                if u: ratio.append(e/(2*u))
                if p and v.need is True: passes.append(len(p)); delay.append(t - v.t0 - v.passes[len(p) - 1])
        taken += bool(rs); bad += hit; dbl += len(rs) > 1; none += v.need is not True and bool(rs)
        good += (len(rs) == 1 and not hit) if v.need is True else not hit
    r = lambda x, n=2: None if x is None else round(x, n)
    rms = lambda xs: math.sqrt(sum(x*x for x in xs)/len(xs)) if xs else None
    return dict(family=ses.family, rate=ses.rate, visits=len(vs), good=good, taken_pct=r(100*taken/len(vs), 1),
        mean_um=r(statistics.fmean(err) if err else None, 3), sd_um=r(statistics.pstdev(err) if err else None, 3),
        p95_abs_um=r(quantile([abs(e) for e in err], .95), 3), rms_over_U=r(rms(ratio)), false=bad, none_read=none, doubles=dbl,
        passes_med=quantile(passes, .5), passes_95=quantile(passes, .95), delay_med_s=r(quantile(delay, .5)), delay_95_s=r(quantile(delay, .95)),
        after_withdrawal=lateone, before_any_pass=early, gauge_bias_um=r(ses.bias), mastered=kinds.get('mastered', 0),
        other={k: n for k, n in kinds.items() if k not in ('job', 'part', 'mastering', 'gauge', 'ring', 'mastered', 'reading', 'round')})
def run(binary, family, n=60, rate=20, seed=1):
    ses = Session(family, n, rate, seed); got, kinds = ses.replay(binary)
    if family == 'beep': ses.pull_out(got); got, kinds = ses.replay(binary)
    return judge(ses, got, kinds)

# ---------------------------------------------------------------- the judge judged
def check(n=60, seed=1):
    worst = 0
    for fam in FAMILIES:
        ses = Session(fam, n, 20, seed); faults = []; oracle = []
        for i, v in enumerate(ses.visits + ses.rings):
            if v.th is None:
                if v.settled and v.need and v in ses.visits: oracle.append((v.t0 + v.out - .1, v.v[int(v.out/DT) - 20], .1))
                continue
            a, b = v.inside; inside = v.th[a:b]
            if v.need is not True:
                if min(inside) <= 0 <= max(inside): faults.append(f'{i} crosses')
                if v.need is False and min(v.v) - v.S < 5e-4 and fam != 'drag': faults.append(f'{i} near')
                continue
            if len(v.passes) < 3: faults.append(f'{i}: {len(v.passes)} passes')
            p = v.passes[min(3, len(v.passes) - 1)]
            # the true minimum by another way: golden section of the interpolated tilt round the lowest points up to then
            first = min(range(a, int(p/DT) + 2), key=lambda j: v.v[j]); low = 9e9
            for m in range(-200, 201):
                u = first + m/100; j = int(u); h = v.th[j] + (v.th[j + 1] - v.th[j])*(u - j); low = min(low, size_at(v.S, h))
            if fam == 'taper': low = sum(v.sp[:4][-3:])/3
            elif abs(low - v.S) > 2e-5: faults.append(f'{i} minimum {1e3*(low - v.S):.3f} um off')
            if min(v.v) < v.S - 1e-9 and fam != 'taper': faults.append(f'{i} below size')
            if v in ses.visits: oracle.append((v.t0 + p + .2, low, .1))
        st = ses.stream(); q = ses.g['step']*1e-3
        mv = [b[1] - b[2] for a, b, c in zip(st, st[1:], st[2:]) if abs(b[2] - a[2]) > q < abs(c[2] - b[2])]; sd = statistics.pstdev(mv)*1e3; want = math.hypot(ses.g['noise'], ses.g['step']/12**.5)
        if abs(sd/want - 1) > .02 + 3/math.sqrt(2*len(mv)): faults.append(f'noise {sd:.3f} for {want:.3f}')
        if any(abs(float('%.5f' % x)/q - round(x/q)) > 1e-3*1 for _, x, _ in st): faults.append('step')
        if any(b[0] < a[0] for a, b in zip(st, st[1:])): faults.append('order')
        if any(abs(t/(ses.g['stamp']*1e-3) - round(t/(ses.g['stamp']*1e-3))) > 1e-6 for t, _, _ in st): faults.append('stamps')
        gap = (st[-1][0] - st[0][0])/(len(st) - 1)*ses.rate*(1 - ses.g['lost'])
        if abs(gap - 1) > .01: faults.append(f'rate {gap:.3f}')
        res = judge(ses, sorted(oracle), {}); dur = statistics.fmean(v.out for v in ses.visits)
        if res['good'] != n or res['false'] or res['doubles']: faults.append('oracle ' + json.dumps(res))
        bad = judge(ses, [(t, x + 2e-3 + q, u) for t, x, u in oracle], {})         # a wrong reader must be seen
        if bad['false'] != len(oracle): faults.append('wrong reader not seen')
        vm = [max(abs(b - a) for a, b in zip(v.th, v.th[1:]))/DT for v in ses.visits if v.th]
        print(json.dumps(dict(family=fam, ok=not faults, good=res['good'], sd_um=round(sd, 3), sd_want=round(want, 3), seconds_mean=round(dur, 1),
            passes_mean=round(statistics.fmean(len(v.passes) for v in ses.visits), 1), peak_deg_s=round(statistics.median(vm)) if vm else None, faults=faults[:4])))
        worst |= bool(faults)
    return worst

if __name__ == '__main__':
    a = sys.argv[1:]
    if a[:1] == ['--check']: sys.exit(check(*[int(x) for x in a[1:]]))
    if len(a) < 2 or a[1] == 'list': sys.exit(print(__doc__, '\n', *FAMILIES) or 2)
    for fam in (FAMILIES if a[1] == 'all' else a[1].split(',')):
        print(json.dumps(run(a[0], fam, *[int(x) for x in a[2:5]])), flush=True)
