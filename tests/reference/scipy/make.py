#!/usr/bin/env python3
# SPDX-License-Identifier: GPL-3.0-or-later
"""Makes the recordings beside this file and what SciPy fits to them: steps.csv, sines.csv (time, value)
and fits.csv (10 digits). Invented data, seed 11. Needs python3-scipy; the C test reads the files only.
    python3 make.py           writes them anew
    python3 make.py check     fits the recordings that are there and compares with fits.csv to 1e-7"""
import csv, os, sys
import numpy as np, scipy
from scipy.integrate import solve_ivp
from scipy.optimize import curve_fit, least_squares

here = os.path.dirname(os.path.abspath(__file__))
SETTLED, HEIGHT = 20.0, 50.0 # mm: the stage goes from 20 mm by 50 mm at 60 mm/s and 600 mm/s2
RAMP, CRUISE = 0.1, 44.0 / 60

def stage(t):
    if t <= 0:
        return SETTLED
    if t < RAMP:
        return 20 + 300 * t * t
    if t < RAMP + CRUISE:
        return 23 + 60 * (t - RAMP)
    if t < 2 * RAMP + CRUISE:
        u = t - RAMP - CRUISE
        return 67 + 60 * u - 300 * u * u
    return SETTLED + HEIGHT

def lagged(t, taus):
    """The stage's motion through first-order lags one behind the other, at times t."""
    def rate(now, y):
        into, out = stage(now), []
        for level, tau in zip(y, taus):
            out.append((into - level) / tau)
            into = level
        return out
    edges, t = [0, RAMP, RAMP + CRUISE, 2 * RAMP + CRUISE, max(5.0, t.max() + 0.1)], np.asarray(t)
    y, start = np.full(t.shape, SETTLED), np.full(len(taus), SETTLED)
    for a, b in zip(edges, edges[1:]):
        part = solve_ivp(rate, (a, b), start, method='DOP853', rtol=1e-12, atol=1e-12, dense_output=True)
        inside = (t > a) & (t <= b)
        if inside.any():
            y[inside] = part.sol(t[inside])[-1]
        start = part.y[:, -1]
    return y

def step_model(p, t, lags):
    initial, final, dead = p[:3]
    return initial + (final - initial) * (lagged(t - dead, np.exp(p[3:3 + lags])) - SETTLED) / HEIGHT

def fit_step(t, y, lags):
    starts = [np.log([0.3]), np.log([0.35, 0.08])][lags - 1]
    best = least_squares(lambda p: step_model(p, t, lags) - y, np.concatenate([[20, 70, 0.04], starts]), x_scale='jac',
                         xtol=1e-14, ftol=1e-14, gtol=1e-14, method='trf', diff_step=1e-6)
    taus = sorted(np.exp(best.x[3:]), reverse=True)
    sd = np.sqrt(2 * best.cost / (len(y) - len(best.x)))
    return dict(zip(['initial', 'final', 'dead_s', 'tau_s', 'tau2_s'], [*best.x[:3], *taus]), residual_sd=sd)

def fit_sine(t, y, frequency=None):
    if frequency:
        w = 2 * np.pi * frequency
        model = lambda t, a, b, c: a * np.cos(w * t) + b * np.sin(w * t) + c
        p, cov = curve_fit(model, t, y, [1, 1, 0], xtol=1e-15, ftol=1e-15)
        frequency_u = 0
    else:
        model = lambda t, a, b, c, f: a * np.cos(2 * np.pi * f * t) + b * np.sin(2 * np.pi * f * t) + c
        p, cov = curve_fit(model, t, y, [5, 1, 80, 0.4], xtol=1e-15, ftol=1e-15)
        frequency, frequency_u = p[3], np.sqrt(cov[3, 3])
    a, b = p[:2]
    amplitude = np.hypot(a, b)
    amplitude_u = np.sqrt(a * a * cov[0, 0] + b * b * cov[1, 1] + 2 * a * b * cov[0, 1]) / amplitude
    return dict(amplitude=amplitude, amplitude_u=amplitude_u, phase_rad=np.arctan2(-b, a), mean=p[2], mean_u=np.sqrt(cov[2, 2]),
                frequency_hz=frequency, frequency_u=frequency_u)

def write(name, t, y):
    with open(os.path.join(here, name), 'w') as file:
        file.write('t_s,value\n' + ''.join(f'{a:.6f},{b:.9f}\n' for a, b in zip(t, y)))

def read(name):
    rows = np.genfromtxt(os.path.join(here, name), delimiter=',', skip_header=1)
    return rows[:, 0], rows[:, 1]

checking = sys.argv[1:] == ['check']
if not checking:
    random = np.random.default_rng(11)
    t = np.round(-0.5 + np.arange(400) / 100 + 0.0037, 6)
    write('step_1.csv', t, step_model([20.2, 69.7, 0.042, np.log(0.31)], t, 1) + random.normal(0, 0.2, t.size))
    write('step_2.csv', t, step_model([20.2, 69.7, 0.042, np.log(0.35), np.log(0.12)], t, 2) + random.normal(0, 0.05, t.size))
    t = np.round(np.arange(900) / 50 + 0.0011, 6)
    write('sine.csv', t, 80 + 6 * np.cos(2 * np.pi * 0.4031 * t + 0.7) + random.normal(0, 0.3, t.size))
fits = [('step_1', fit_step(*read('step_1.csv'), 1)), ('step_2', fit_step(*read('step_2.csv'), 2)),
        ('sine_known', fit_sine(*read('sine.csv'), 0.4031)), ('sine_free', fit_sine(*read('sine.csv')))]
if checking:
    wrong = 0
    kept = {(r['fit'], r['quantity']): float(r['value']) for r in csv.DictReader(open(os.path.join(here, 'fits.csv')))}
    for name, values in fits:
        for quantity, value in values.items():
            off = abs(value - kept[name, quantity]) / max(abs(value), 1e-12)
            wrong += off > 1e-7
            if off > 1e-7:
                print(f'{name} {quantity}: {value} now, {kept[name, quantity]} kept')
    sys.exit(int(wrong > 0))
with open(os.path.join(here, 'fits.csv'), 'w') as file:
    file.write('fit,quantity,value\n')
    for name, values in fits:
        for quantity, value in values.items():
            file.write(f'{name},{quantity},{value:.10g}\n')
print('made with SciPy', scipy.__version__)
