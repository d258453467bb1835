#!/usr/bin/env python3
"""Asks the estimate crate hundreds of seeded random questions and holds its answers to brute force.

    python3 tests/estimates.py [--seed N]

needs numpy and scipy (`bash tests/run --set-up-only` brings them into target/python). The answers come from
`cargo run -p gravelbar-estimate --example answers`, the other side from `brute_force.py`. At the end every figure is
spoiled in turn, and each of the checks has to notice; a figure nobody checks is a failure too."""

import argparse
import json
import math
import os
import subprocess
import sys
import time
from collections import Counter, defaultdict
from pathlib import Path

try:
    import numpy as np
    from scipy import optimize, signal, special, stats
except ImportError as missing:
    sys.exit(f"{missing}: run `bash tests/run --set-up-only`, which brings numpy and scipy into target/python")

sys.dont_write_bytecode = True
import brute_force as force
from brute_force import Beyond

Z = 1.96  # the crate's stated half-width of a normal 95 % interval
ROOT = Path(__file__).resolve().parent.parent


# ---------------------------------------------------------------- questions

EDGES = [
    [0], [7], [0, 0], [0, 0, 0], [5, 0], [5, 0, 0], [1, 0, 0], [0, 5], [0, 0, 5], [5, 5], [5, 7], [2, 1], [1, 1], [3, 3, 3],
    [12, 0, 5], [10, 4, 6], [8, 3, 8], [8, 9, 11], [0, 3, 1], [1] * 20, [9, 8, 7, 6, 5, 4, 3, 2, 1, 0], [100, 40, 16],
    [1000, 1, 0], [300, 299], [400, 0, 0, 0, 1], [1, 0, 0, 0, 0, 0], [40, 41], [41, 40], [600, 300, 150, 75],
]


def caught(dice, n, p):
    """Catch of each pass when pass i takes each fish left with the chance p[i]."""
    catch = []
    for chance in p:
        catch.append(int(dice.binomial(n, chance)))
        n -= catch[-1]
    return catch


def questions(seed):
    dice = np.random.default_rng(seed)
    catches = list(EDGES)
    for _ in range(210):
        k = int(dice.integers(2, 8))
        falling = np.clip(dice.uniform(0.12, 0.9) * dice.uniform(0.7, 1.05) ** np.arange(k), 0.01, 0.99)
        catches.append(caught(dice, int(np.exp(dice.uniform(1, 6.5))), falling))
    for _ in range(70):
        catches.append([int(fish) for fish in dice.integers(0, 40, dice.integers(2, 7))])
    for _ in range(16):
        catches.append(caught(dice, int(np.exp(dice.uniform(7, 10))), [dice.uniform(0.3, 0.8)] * int(dice.integers(2, 6))))
    for catch in catches:
        mean, sd = dice.uniform(0.2, 0.8), dice.uniform(0.04, 0.2)
        strength = mean * (1 - mean) / sd**2 - 1
        yield dict(kind="removal", catch=catch, alpha=mean * strength, beta=(1 - mean) * strength,
                   fewer=int(dice.integers(1, 12)), target=float(dice.uniform(0.02, 0.6)))
    for _ in range(60):
        k = int(dice.integers(2, 6))
        effort = dice.uniform(200, 900, k)
        catch = caught(dice, int(dice.integers(20, 400)), -np.expm1(-effort * dice.uniform(0.0008, 0.003)))
        yield dict(kind="effort", catch=catch, effort=[float(f) for f in effort])
        if k > 2 and len(catch) % 2:
            yield dict(kind="mass_line", mass_g=[fish * float(dice.uniform(4, 90)) for fish in catch], effort=[float(f) for f in effort])
    for _ in range(40):
        marked, second = (int(m) for m in dice.integers(5, 900, 2))
        yield dict(kind="marks", marked=marked, second=second,
                   recaptured=int(dice.integers(0, min(marked, second, 90) + 1)))
    for marked, second, n in LAWFUL_MARKS:
        for recaptured in range(max(0, marked + second - n), min(marked, second) + 1):
            yield dict(kind="marks", marked=marked, second=second, recaptured=recaptured)
    for fish in [0, 1, 2, 10, 9_999, 10_000, 10_001, 250_000, *(int(f) for f in np.exp(dice.uniform(0, 9, 20)))]:
        yield dict(kind="rate", fish=fish, on_time_s=float(dice.uniform(100, 6000)))
    for _ in range(14):
        catches = [caught(dice, int(dice.integers(10, 150)), [dice.uniform(0.4, 0.7)] * 3) for _ in range(dice.integers(1, 4))]
        alpha = float(dice.choice([1.0, 20.0]))
        yield dict(kind="total", catches=catches, alpha=alpha, beta=alpha)
    for _ in range(30):
        k = int(dice.integers(3, 7))
        p = np.clip(dice.uniform(0.2, 0.7) * dice.uniform(0.6, 1.1) ** np.arange(k), 0.02, 0.95)
        yield dict(kind="power", n_fish=float(dice.uniform(20, 2000)), p=[float(c) for c in p], level=float(dice.choice([0.05, 0.2])))
    for _ in range(15):
        length = dice.uniform(45, 400, int(dice.integers(3, 60)))
        mass = 1e-5 * length ** dice.uniform(2.4, 3.6) * np.exp(dice.normal(0, 0.12, len(length)))
        yield dict(kind="mass", fish=[[float(a), float(b)] for a, b in zip(length, mass)], at_mm=float(dice.uniform(50, 300)))
    for _ in range(25):
        whole = int(dice.integers(1, 300))
        yield dict(kind="share", part=int(dice.integers(0, whole + 1)), whole=whole)
    for total, class_size, measured in LAWFUL_SAMPLES:
        for in_class in range(max(0, measured + class_size - total), min(measured, class_size) + 1):
            yield dict(kind="subsample", caught=total, measured=measured, in_class=in_class)
    for _ in range(25):
        yield dict(kind="known", fish=int(dice.integers(0, 120)), p=float(dice.uniform(0.05, 0.95)),
                   se_p=float(dice.choice([0.0, 0.03, 0.1])), passes=int(dice.integers(1, 6)))
    for _ in range(15):
        yield dict(kind="biomass", n_fish=float(dice.uniform(20, 900)), se_fish=float(dice.uniform(1, 15)),
                   mean_g=float(dice.uniform(5, 90)), se_mean_g=float(dice.uniform(0.1, 2)))


# Every outcome of these is asked, so that the mean over all outcomes can be held to the truth.
LAWFUL_MARKS = [(40, 35, 70), (12, 60, 65), (80, 50, 120)]
LAWFUL_SAMPLES = [(62, 20, 25), (30, 7, 12), (200, 150, 40)]


# ---------------------------------------------------------------- checks
#
# A reference is a list of (path into the answer, check). A check takes the answer and says what is wrong, or `None`.


def near(value, relative=1e-8, absolute=1e-12):
    def check(here):
        if value is None or here is None:
            return None if here is value else f"brute force gives {value}"
        if abs(here - value) <= relative * abs(value) + absolute:
            return None
        return f"brute force gives {float(value)!r}"
    return check


def spread_near(spread, place=0):
    """Second differences keep five digits, and no digit below a hundred-thousandth of a fish."""
    return near(spread and spread[place], 1e-5, 1e-5)


def same(value):
    return lambda here: None if here == value and type(here) is type(value) else f"brute force gives {value}"


def quantile(belief, share, slack=3e-6):
    """The smallest number with at least `share` of the probability at or below it, to within `slack` of probability."""
    def check(here):
        if here is None:
            return None if belief.cdf(10**15) < share + slack else "brute force gives a number"
        if belief.cdf(here) >= share - slack and belief.cdf(here - 1) < share + slack:
            return None
        return f"brute force has {belief.cdf(here - 1)} below it and {belief.cdf(here)} up to it"
    return check


def unchecked(_):
    return None


def nothing(*paths):
    return [(path, same(None)) for path in paths]


def removal(question):
    catch = question["catch"]
    k, total, _ = force.totals(catch)
    weight = question["alpha"], question["beta"]
    comparable, depleted = k >= 2 and total > 0, force.falls(catch)
    fit = force.conditional(catch) if depleted else None
    spread = force.expected_spread(*fit, k) if fit else None
    yield from zippin(fit, spread)
    yield from two_pass(catch, fit, spread)
    yield from chi_square(catch, fit)
    for path, parameters in [("carle_strub", (1, 1)), ("carle_strub_weighted", weight)]:
        yield from carle_strub(catch, path, *parameters) if comparable else nothing(path)
    likelihood = force.Likelihood(catch) if comparable else None
    yield from integer_ml(catch, likelihood)
    for path, parameters in [("posterior", (1, 1)), ("posterior_weighted", weight)]:
        belief = force.Posterior(catch, *parameters)
        yield f"{path}.median", quantile(belief, 0.5)
        yield f"{path}.low", quantile(belief, 0.025)
        yield f"{path}.high", quantile(belief, 0.975)
        yield f"{path}.p", near(belief.mean_p(), 1e-6)
        top = belief.log_term(belief.n).max()
        yield f"{path}.mode", lambda here, belief=belief, top=top: (
            None if belief.log_term(np.float64(here)) >= top - 1e-9 else "brute force has a likelier number")
    yield from first_pass(catch, likelihood if depleted else None)
    yield from generalised(catch)
    yield from next_pass(catch, fit)
    # What is left over is reported as unseen by the crate: one chance in ten thousand.
    fewer = sum(belief.next_catch(fish) for fish in range(question["fewer"]))
    yield "chance_of_fewer", near(min(fewer, 1.0), 0, 1.1e-4)
    if total <= 60 and k <= 4:
        yield "chance_of_target", chance_of_target(catch, belief, question["target"])
    else:
        yield "chance_of_target", unchecked


def zippin(fit, spread):
    if fit is None:
        return nothing("zippin")
    return [
        ("zippin.n", near(fit[0])),
        ("zippin.p", near(fit[1])),
        ("zippin.se", spread_near(spread)),
        ("zippin.se_p", near(spread and spread[1], 1e-5)),
    ]


def two_pass(catch, fit, spread):
    if fit is None or len(catch) != 2:
        return nothing("two_pass")
    n, p = fit
    # Second order of an expansion of the estimate about the expected catches: half the sum of second derivatives
    # times covariances of the two binomial catches.
    estimate = lambda first, second: first**2 / (first - second)
    first, second = (n * p, n * p * (1 - p))
    h = 1e-4 * max(first - second, 1e-9)
    aa = (estimate(first + h, second) - 2 * estimate(first, second) + estimate(first - h, second)) / h**2
    bb = (estimate(first, second + h) - 2 * estimate(first, second) + estimate(first, second - h)) / h**2
    ab = (estimate(first + h, second + h) - estimate(first + h, second - h) - estimate(first - h, second + h)
          + estimate(first - h, second - h)) / (4 * h**2)
    a, b = first / n, second / n
    bias = 0.5 * (aa * n * a * (1 - a) + bb * n * b * (1 - b) - 2 * ab * n * a * b)
    return [
        ("two_pass.n", near(n)),
        ("two_pass.p", near(p)),
        ("two_pass.se", spread_near(spread)),
        ("two_pass.se_p", near(spread and spread[1], 1e-5)),
        ("two_pass.corrected", near(n - bias, 1e-5, 1e-5 * abs(bias) + 1e-5)),
    ]


def expected_catch(fit, k):
    return fit[0] * fit[1] * (1 - fit[1]) ** np.arange(k)


def chi_square(catch, fit):
    k = len(catch)
    if fit is None or k < 3 or force.all_on_first(catch):
        return nothing("chi_square", "chi_square_pooled")
    expected = expected_catch(fit, k)
    checks = cells("chi_square", catch, expected)
    pooled = [(0, 0.0)]
    for fish, mean in zip(reversed(catch), reversed(expected)):
        pooled[-1] = (pooled[-1][0] + fish, pooled[-1][1] + mean)
        if pooled[-1][1] >= 2:
            pooled.append((0, 0.0))
    rest = pooled.pop()
    if rest[1] > 0 or len(pooled) < 3:
        return checks + nothing("chi_square_pooled")
    return checks + cells("chi_square_pooled", *zip(*pooled))


def cells(path, observed, expected):
    statistic, p = stats.chisquare(observed, expected, ddof=1)
    return [
        (f"{path}.statistic", near(statistic, 1e-7, 1e-9)),
        (f"{path}.df", same(len(observed) - 2)),
        (f"{path}.p", near(p, 1e-7, 1e-9)),
        (f"{path}.smallest", near(min(expected), 1e-7)),
    ]


def carle_strub(catch, path, alpha, beta):
    k, total, _ = force.totals(catch)
    best, _ = force.weighted_best(tuple(catch), alpha, beta)
    p = force.share(catch, best)
    spread = force.expected_spread(best, p, k)
    yield f"{path}.n", same(best)
    yield f"{path}.p", near(p)
    yield f"{path}.se", spread_near(spread)
    yield f"{path}.se_from_catch", near(spread_from_catch(catch, best), 1e-5, 1e-5)


def spread_from_catch(catch, n):
    k, total, weighted = force.totals(catch)
    trials = k * n - weighted
    # The determinant of the curvature, in whole numbers: where it vanishes there is no spread.
    if n == total or trials * (trials - total) <= k**2 * n * (n - total):
        return None
    p = force.share(catch, n)
    spread = force.large_sample(catch, n - sum(catch), p)
    return spread and spread[0]


def integer_ml(catch, likelihood):
    if likelihood is None:
        yield from nothing("integer_ml", "profile_95", "profile_90")
        return
    try:
        best = likelihood.best
    except Beyond:
        for path in ("integer_ml.n", "integer_ml.p", "integer_ml.log", "profile_95.0", "profile_95.1", "profile_90.0", "profile_90.1"):
            yield path, unchecked
        return
    if best is None:
        yield from nothing("integer_ml")
    else:
        yield "integer_ml.n", same(best)
        yield "integer_ml.p", near(force.share(catch, best))
        yield "integer_ml.log", near(float(likelihood.top), 1e-10, 1e-9)
    for path, level in [("profile_95", 0.95), ("profile_90", 0.90)]:
        try:
            low, high = likelihood.interval(level)
            yield f"{path}.0", same(low)
            yield f"{path}.1", same(high)
        except Beyond:
            yield f"{path}.0", unchecked
            yield f"{path}.1", unchecked


def first_pass(catch, one_share):
    k, total, _ = force.totals(catch)
    tail = catch[1:]
    if total == 0 or k < 3 or not force.falls(tail):
        return nothing("first_pass")
    n, p = force.conditional(tail)
    spread = force.expected_spread(n, p, k - 1)
    checks = [
        ("first_pass.n_conditional", near(catch[0] + n)),
        ("first_pass.se_conditional", spread_near(spread)),
        ("first_pass.p_conditional", near(p)),
    ]
    likelihood = force.Likelihood(catch, first_free=True)
    try:
        best, top = likelihood.best, float(likelihood.top)
        ratio = one_share and max(0.0, 2 * (top - float(one_share.top)))
    except Beyond:
        return checks + [(f"first_pass.{figure}", unchecked) for figure in ("n", "p_first", "p_later", "log", "ratio", "ratio_p")]
    return checks + [
        ("first_pass.n", same(best)),
        ("first_pass.p_first", near(catch[0] / best)),
        ("first_pass.p_later", near(force.share(tail, best - catch[0]))),
        ("first_pass.log", near(top, 1e-10, 1e-9)),
        ("first_pass.ratio", near(ratio, 1e-8, 1e-8)),
        # Near zero the chance runs as the root of the statistic.
        ("first_pass.ratio_p", near(None if ratio is None else stats.chi2.sf(ratio, 1), 1e-7, 1e-4 if (ratio or 1) < 1e-6 else 1e-7)),
    ]


def generalised(catch):
    k, total, _ = force.totals(catch)
    if total == 0 or k < 3:
        return nothing("generalised")
    checks, selected = [], None
    for free in range(k - 2):
        tail, path = catch[free:], f"generalised.steps.{free}"
        fit = force.conditional(tail) if force.falls(tail) else None
        spread = fit and force.expected_spread(*fit, len(tail))
        statistic = p = None
        if fit and not force.all_on_first(tail):
            statistic, p = stats.chisquare(tail, expected_catch(fit, len(tail)), ddof=1)
        if selected is None and p is not None and p >= 0.20:
            selected = free
        checks += [
            (f"{path}.n", near(fit and sum(catch[:free]) + fit[0])),
            (f"{path}.se", spread_near(spread)),
            (f"{path}.statistic", near(statistic, 1e-7, 1e-9)),
            (f"{path}.df", same(k - free - 2)),
            (f"{path}.p", near(p, 1e-7, 1e-9)),
        ]
    return checks + [("generalised.selected", same(selected))]


def half_width(catch):
    """1.96 standard errors over the Carle-Strub number; 0 where all are in hand, `None` where there is none."""
    if not force.falls(catch):
        return None
    best, _ = force.weighted_best(tuple(catch), 1, 1)
    if best == sum(catch):
        return 0.0
    spread = spread_from_catch(catch, best)
    return spread and Z * spread / best


def next_pass(catch, fit):
    if fit is None:
        return nothing("next_pass")
    k, total, _ = force.totals(catch)
    now, after = (force.expected_spread(*fit, passes) for passes in (k, k + 1))
    best, _ = force.weighted_best(tuple(catch), 1, 1)
    expected = math.floor(force.share(catch, best) * (best - total) + 0.5)
    width = half_width([*catch, expected])
    return [
        ("next_pass.expected", near(fit[1] * (fit[0] - total), 1e-8, 1e-9)),
        ("next_pass.se_now", spread_near(now)),
        ("next_pass.se_after", spread_near(after)),
        ("next_pass.half_width_after", near(width or None, 1e-5)),
    ]


def chance_of_target(catch, belief, target):
    seen = met = 0.0
    for fish in range(1001):
        chance = belief.next_catch(fish)
        seen += chance
        width = half_width([*catch, fish])
        if width is not None and width <= target:
            met += chance
        if seen > 1 - 1e-4:
            return near(met, 0, 2e-4)
    return unchecked


def effort(question):
    catch, efforts = question["catch"], question["effort"]
    series = force.Effort(catch, efforts)
    if not series.falls or force.all_on_first(catch):
        yield from nothing("effort_ml")
    else:
        yield from effort_ml(series)
    before = np.cumsum(catch) - catch
    spent = np.cumsum(efforts) - efforts
    rate = np.array(catch) / np.array(efforts)
    for path, part in [("before", 0.0), ("middle", 0.5)]:
        yield from leslie(f"leslie_{path}", before + part * np.array(catch), rate)
        yield from delury(f"delury_{path}", spent + part * np.array(efforts), rate)


def effort_ml(series):
    n, q = series.conditional
    spread = series.spread(n, q)
    yield "effort_ml.n_conditional", near(n)
    yield "effort_ml.se_conditional", near(spread, 1e-5)
    yield "effort_ml.q_conditional", near(q, 1e-7)
    figures = ["n", "q", "log", "profile_95.0", "profile_95.1", *(f"p.{place}" for place in range(len(series.catch)))]
    try:
        best, (low, high) = series.best, series.interval()
    except Beyond:
        for figure in figures:
            yield f"effort_ml.{figure}", unchecked
        return
    top = series.walked[best - series.total]
    # Stated: to within a ten-thousandth of the standard error.
    yield "effort_ml.n", lambda here: (
        None if abs(here - best) <= 1e-4 * spread and series.walked[here - series.total] >= top - 1e-9
        else f"brute force gives {best}")
    at_best = series.best_q(np.array([float(best)]))[0]
    yield "effort_ml.q", near(at_best, 1e-5)
    yield "effort_ml.log", near(top, 1e-9, 1e-8)
    yield "effort_ml.profile_95.0", near(low, 0, 1e-4 * spread)
    yield "effort_ml.profile_95.1", near(high, 1e-6, 1e-4 * spread)
    for place, fished in enumerate(series.effort):
        yield f"effort_ml.p.{place}", near(-math.expm1(-at_best * fished), 1e-5)


def leslie(path, x, y):
    if len(x) < 3:
        return nothing(path)
    line = stats.linregress(x, y)
    if not line.slope < 0:
        return nothing(path)
    df = len(x) - 2
    t = stats.t.ppf(0.975, df)
    q, n = -line.slope, -line.intercept / line.slope
    residual = ((y - line.intercept - line.slope * x) ** 2).sum() / df
    # First order: gradient of -a/b with the covariance of a and b.
    design = np.column_stack([np.ones_like(x), x])
    covariance = residual * np.linalg.inv(design.T @ design)
    gradient = np.array([1 / q, line.intercept / q**2])
    se = math.sqrt(gradient @ covariance @ gradient)
    # Fieller: the n at which the line's height is no further from zero than t of its standard error.
    apart = lambda n: (line.intercept + line.slope * n) ** 2 - t**2 * np.array([1, n]) @ covariance @ np.array([1, n])
    checks = [
        (f"{path}.n", near(n)), (f"{path}.q", near(q)), (f"{path}.intercept", near(line.intercept)),
        (f"{path}.r_squared", near(line.rvalue**2)), (f"{path}.p", near(line.pvalue, 1e-7)),
        (f"{path}.se_q", near(line.stderr, 1e-7)), (f"{path}.se", near(se, 1e-6)),
        (f"{path}.low_q", near(q - t * line.stderr, 1e-6, 1e-6 * q)), (f"{path}.high_q", near(q + t * line.stderr, 1e-6)),
        (f"{path}.low", near(n - t * se, 1e-6, 1e-6 * n)), (f"{path}.high", near(n + t * se, 1e-6)),
    ]
    mean, reach = x.mean(), 1e-3 * np.ptp(x)
    steep = line.slope**2 > t**2 * line.stderr**2
    # Outwards from the estimate, where the line's height is zero, to where it no longer is.
    edges = []
    for way in (-1, 1):
        if way < 0 and mean < n and apart(mean) > 0:
            # Where the line hardly falls the height differs from zero near the mean only, and steps would leap over it.
            edges.append(optimize.brentq(apart, mean, n, xtol=1e-12))
            continue
        step = reach
        while apart(n + way * step) <= 0 and step < 1e14:
            step *= 1.5
        edges.append(optimize.brentq(apart, n, n + way * step, xtol=1e-12) if apart(n + way * step) > 0 else None)
    if edges[0] is None or (not steep and edges[0] < mean):
        return checks + nothing(f"{path}.fieller")
    return checks + [(f"{path}.fieller.0", near(edges[0], 1e-6, 1e-6 * n)), (f"{path}.fieller.1", near(edges[1], 1e-5))]


def mass_line(question):
    mass, effort = np.array(question["mass_g"]), np.array(question["effort"])
    before = np.cumsum(mass) - mass
    for path, part in [("before", 0.0), ("middle", 0.5)]:
        for figure, check in leslie(path, before + part * mass, mass / effort):
            if figure.split(".")[-1] not in ("low_q", "high_q", "low", "high"):
                yield figure, check


def delury(path, x, y):
    if len(x) < 3 or (y == 0).any():
        return nothing(path)
    line = stats.linregress(x, np.log(y))
    if not line.slope < 0:
        return nothing(path)
    return [
        (f"{path}.n", near(math.exp(line.intercept) / -line.slope)), (f"{path}.q", near(-line.slope)),
        (f"{path}.r_squared", near(line.rvalue**2)), (f"{path}.se_q", near(line.stderr, 1e-7)),
        *log_limits(f"{path}.limits", x, np.log(y), line),
    ]


def log_limits(path, x, y, line):
    """The totals at which the best line bound to the total is t of its standard errors worse than the free one."""
    df = len(x) - 2
    t = stats.t.ppf(0.975, df)
    squares = lambda q, height: ((y - height + q * x) ** 2).sum()
    free = squares(-line.slope, line.intercept)

    def apart(log_n):
        # Bound to the total, one unknown is left; it may have two dips, so look along a grid first.
        bound = lambda log_q: squares(math.exp(log_q), log_n + log_q)
        grid = np.linspace(math.log(-line.slope) - 14, math.log(-line.slope) + 6, 400)
        start = grid[np.argmin([bound(log_q) for log_q in grid])]
        best = optimize.minimize_scalar(bound, bounds=(start - 0.06, start + 0.06), method="bounded", options=dict(xatol=1e-12)).fun
        return best - free - t**2 * free / df

    centre = line.intercept - math.log(-line.slope)

    def edge(way):
        step = 1e-3
        while apart(centre + way * step) <= 0:
            step *= 1.4
        return math.exp(optimize.brentq(apart, centre, centre + way * step, xtol=1e-10))

    steep = line.slope**2 > t**2 * line.stderr**2
    return [(f"{path}.0", near(edge(-1), 1e-5)), (f"{path}.1", near(edge(1), 1e-4) if steep else same(None))]


def marks(question):
    marked, second, again = question["marked"], question["second"], question["recaptured"]
    chapman = lambda m: (marked + 1) * (second + 1) / (m + 1) - 1
    # The mean of estimate and variance over all outcomes is held to the truth in `laws`.
    se = math.sqrt(max(0.0, chapman(again) ** 2 - (marked + 1) * (second + 1) * (marked + 2) * (second + 2)
                       / ((again + 1) * (again + 2)) + 3 * (marked + 1) * (second + 1) / (again + 1) - 1))
    few, many = force.poisson_limits(again)
    if again / second > 0.10:
        rule, low, high = "marked_share", chapman(again) - Z * se, chapman(again) + Z * se
    elif again > 50:
        rule, low, high = "normal", chapman(again) - Z * se, chapman(again) + Z * se
    else:
        rule, low, high = "poisson", chapman(many), chapman(few)
    checks = [
        ("chapman", near(chapman(again))), ("se_chapman", near(se, 1e-4, 1e-4)), ("bailey", near(marked * (second + 1) / (again + 1))),
        ("petersen", near(marked * second / again if again else None)), ("rule", same(rule)),
        ("low", near(max(low, marked + second - again), 1e-6, 1e-3)), ("high", near(high, 1e-6, 1e-3)),
        ("poisson.0", near(chapman(many), 1e-7)), ("poisson.1", near(chapman(few), 1e-7)),
    ]
    if again == 0:
        return checks + nothing("shortest")
    low, high = force.shortest_limits(marked, second, again)
    # The width is flat at its lowest, so each end by itself is good to the root of a rounding.
    return checks + [("shortest.0", near(low, 1e-5)), ("shortest.1", near(high, 1e-5))]


def rate(question):
    hours = question["on_time_s"] / 3600
    low, high = force.poisson_limits(question["fish"])
    return [("rate", near(question["fish"] / hours)), ("low", near(low / hours, 3e-8)), ("high", near(high / hours, 3e-8))]


def total(question):
    beliefs = [force.Posterior(catch, question["alpha"], question["beta"]) for catch in question["catches"]]
    size = 60_000
    sums, lowest = np.ones(1), sum(belief.total for belief in beliefs)
    for belief in beliefs:
        term = np.zeros(size)
        given = belief.term[:size] / belief.sum
        term[: len(given)] = given
        rest = np.arange(belief.total + len(given), belief.total + size, dtype=float)
        term[len(given):] = np.exp(belief.log_term(rest) - belief.top) / belief.sum if len(rest) else []
        sums = signal.fftconvolve(sums, term)[:size]
    below = np.cumsum(sums)
    for place, share in enumerate((0.025, 0.5, 0.975)):
        distance = int(np.searchsorted(below, share))
        # Stated: exact near the lowest total, to about a hundredth of the distance from it further off.
        yield f"posterior.{place}", near(lowest + distance, 0, 0 if distance < 100 else 0.012 * distance) if distance < size else unchecked
    fits = [force.conditional(catch) for catch in question["catches"] if force.falls(catch)]
    spreads = [force.expected_spread(*fit, 3) for fit in fits]
    known = [spread[0] ** 2 for spread in spreads if spread]
    yield "n", near(sum(fit[0] for fit in fits))
    yield "se", near(math.sqrt(sum(known)) if known else None, 1e-5)
    yield "parts", same(len(fits))
    for place, catch in enumerate(question["catches"]):
        try:
            low, high = force.Likelihood(catch).interval(0.95)
            yield f"profiles.{place}.0", same(low)
            yield f"profiles.{place}.1", same(high)
        except Beyond:
            yield f"profiles.{place}.0", unchecked
            yield f"profiles.{place}.1", unchecked


def power(question):
    p, k = np.array(question["p"]), len(question["p"])
    expected = np.cumprod(np.concatenate([[1.0], 1 - p[:-1]])) * p
    if not force.falls(list(expected)):
        return [("", same(None))]
    fit = force.conditional(list(expected))
    fitted = expected_catch(fit, k)
    distance = question["n_fish"] * ((expected - fitted) ** 2 / fitted).sum()
    threshold = stats.chi2.isf(question["level"], k - 2)
    seen = stats.ncx2.sf(threshold, k - 2, distance) if distance > 1e-9 else question["level"]
    return [("power", near(seen, 1e-6, 1e-9)), ("ratio", near(fit[0])), ("p", near(fit[1]))]


def mass(question):
    length, grams = np.log10(np.array(question["fish"])).T
    line = stats.linregress(length, grams)
    off = grams - line.intercept - line.slope * length
    sd = math.sqrt((off**2).sum() / (len(off) - 2))
    # The mean of a log-normal mass, and residuals over the spread that the hat matrix leaves them.
    mean = stats.lognorm.mean(s=sd * math.log(10), scale=10 ** (line.intercept + line.slope * math.log10(question["at_mm"])))
    design = np.column_stack([np.ones_like(length), length])
    hat = np.diag(design @ np.linalg.pinv(design))
    checks = [
        ("intercept", near(line.intercept, 1e-8)), ("slope", near(line.slope)), ("sd", near(sd, 1e-7)),
        ("r_squared", near(line.rvalue**2)), ("mean_g", near(mean)),
    ]
    standard = off / (sd * np.sqrt(1 - hat))
    return checks + [(f"residuals.{place}", near(value, 1e-6, 1e-6)) for place, value in enumerate(standard)]


def proportion(question):
    part, whole = question["part"], question["whole"]
    # Wilson: the shares from which the observed one is 1.96 standard errors of theirs away.
    apart = lambda share: (part / whole - share) ** 2 - Z**2 * share * (1 - share) / whole
    inside = (part + 0.5) / (whole + 1)
    low = optimize.brentq(apart, 0, inside, xtol=1e-14) if part else 0.0
    high = optimize.brentq(apart, inside, 1, xtol=1e-14) if part < whole else 1.0
    return [("0", near(100 * part / whole)), ("1", near(100 * low, 1e-8, 1e-9)), ("2", near(100 * high, 1e-8))]


def subsample(question):
    # The spread is held to the truth over all outcomes in `laws`.
    return [("fish", near(question["caught"] * question["in_class"] / question["measured"])), ("se", unchecked)]


def known(question):
    fish, p, se_p, passes = (question[word] for word in ("fish", "p", "se_p", "passes"))
    n = np.arange(fish, fish + 6000)
    likeliest = fish + int(np.argmax(stats.binom.pmf(fish, n, p))) if fish else 0
    # Variance of c / p over binomial catches and small changes of p.
    h = 1e-5 * p
    gradient = (fish / (p + h) - fish / (p - h)) / (2 * h)
    variance = fish / p * stats.bernoulli.var(p) / p**2 + gradient**2 * se_p**2 if fish else 0.0
    empty = optimize.brentq(lambda n: (1 - p) ** (passes * n) - 0.05, 0, 1e4, xtol=1e-13)
    return [("n", near(fish / p)), ("likeliest", same(likeliest)), ("se", near(math.sqrt(variance) or None, 1e-7)), ("empty", near(empty))]


def biomass(question):
    n, se_n, mean, se_mean = (question[word] for word in ("n_fish", "se_fish", "mean_g", "se_mean_g"))
    # Exact variance of a product of independents, with unbiased estimates put in for the squares.
    variance = (n**2 - se_n**2) * (mean**2 - se_mean**2)
    variance = n**2 * mean**2 - variance
    se, b = math.sqrt(variance), n * mean
    sigma = optimize.brentq(lambda s: stats.lognorm.std(s) / stats.lognorm.mean(s) - se / b, 1e-6, 3, xtol=1e-14)
    low, high = (math.exp(math.log(b) + way * Z * sigma) for way in (-1, 1))
    return [("mass", near(b)), ("se", near(se, 1e-7)), ("low", near(low, 1e-7)), ("high", near(high, 1e-7))]


REFERENCES = dict(removal=removal, effort=effort, mass_line=mass_line, marks=marks, rate=rate, total=total, power=power, mass=mass, share=proportion,
                  subsample=subsample, known=known, biomass=biomass)


def laws(asked):
    """Means over all outcomes of a sampling, by the hypergeometric distribution, against what is estimated."""
    for marked, second, n in LAWFUL_MARKS:
        law = stats.hypergeom(n, marked, second)
        outcomes = [(q["recaptured"], a) for q, a in asked
                    if q["kind"] == "marks" and (q["marked"], q["second"]) == (marked, second)]
        mean = sum(law.pmf(m) * a["chapman"] for m, a in outcomes)
        square = sum(law.pmf(m) * a["chapman"] ** 2 for m, a in outcomes)
        variance = sum(law.pmf(m) * a["se_chapman"] ** 2 for m, a in outcomes)
        yield f"Chapman's mean for {n} fish", mean, n
        yield f"Chapman's variance for {n} fish", variance, square - mean**2
    for caught_fish, class_size, measured in LAWFUL_SAMPLES:
        law = stats.hypergeom(caught_fish, class_size, measured)
        outcomes = [(q["in_class"], a) for q, a in asked
                    if q["kind"] == "subsample" and (q["caught"], q["measured"]) == (caught_fish, measured)]
        mean = sum(law.pmf(m) * a["fish"] for m, a in outcomes)
        square = sum(law.pmf(m) * a["fish"] ** 2 for m, a in outcomes)
        variance = sum(law.pmf(m) * a["se"] ** 2 for m, a in outcomes)
        yield f"the mean of {class_size} fish of a class", mean, class_size
        yield f"the variance of {class_size} fish of a class", variance, square - mean**2


# ---------------------------------------------------------------- comparison


def answers(asked):
    cargo = [os.environ.get("CARGO", "cargo"), "run", "--quiet", "--locked", "--package", "gravelbar-estimate", "--example", "answers"]
    text = "".join(json.dumps(question) + "\n" for question in asked)
    done = subprocess.run(cargo, cwd=ROOT, input=text, capture_output=True, text=True)
    if done.returncode:
        sys.exit(f"the crate gave no answers:\n{done.stderr}")
    return [json.loads(line) for line in done.stdout.splitlines()]


def at(answer, path):
    for word in filter(None, path.split(".")):
        if answer is None:
            return None
        answer = answer[int(word)] if isinstance(answer, list) else answer[word]
    return answer


def leaves(answer, path=""):
    if isinstance(answer, dict):
        pairs = answer.items()
    elif isinstance(answer, list):
        pairs = enumerate(answer)
    else:
        return {path}
    return set().union(*(leaves(value, f"{path}.{word}".strip(".")) for word, value in pairs))


def spoiled(value):
    if isinstance(value, bool) or value is None:
        return 0.5
    if isinstance(value, str):
        return value + "!"
    # A thousandth off, or a fish.
    return value + 1 if isinstance(value, int) else value * 1.001 + 1e-3 * (value == 0)


def general(path):
    return ".".join("*" if word.isdigit() and int(word) > 2 else word for word in path.split("."))


def analysis_by_libraries(catch):
    """What a full analysis takes, as a person at ease with the libraries would write it: closed forms where there are
    any, one root for each fit, whole arrays of numbers of fish. It is here to be timed: the same figures as an `Analysis`, the
    model with a first pass of its own and the chance that the next pass takes fewer than three, and no more."""
    caught = np.array(catch, float)
    k, total, place = len(catch), caught.sum(), np.arange(len(catch))
    delay = (place * caught).sum() / total
    weighted = ((k - 1 - place) * caught).sum()
    p = share_by_root(k, delay)
    n = total / (1 - (1 - p) ** k)
    spread_by_formula(n, p, k), spread_by_formula(n, p, k + 1)
    if k > 2:
        expected = n * p * (1 - p) ** place
        stats.chisquare(caught, expected, ddof=1)
        pooled = [[0.0, 0.0]]
        for fish, mean in zip(caught[::-1], expected[::-1]):
            pooled[-1] = [pooled[-1][0] + fish, pooled[-1][1] + mean]
            if pooled[-1][1] >= 2:
                pooled.append([0.0, 0.0])
        if len(pooled) > 3:
            stats.chi2.sf(sum((fish - mean) ** 2 / mean for fish, mean in pooled[:-1]), len(pooled) - 3)
        falling = p * 0.8**place
        true = falling * np.concatenate([[1.0], np.cumprod(1 - falling)[:-1]])
        fitted_p = share_by_root(k, (place * true).sum() / true.sum())
        fitted = true.sum() / (1 - (1 - fitted_p) ** k) * fitted_p * (1 - fitted_p) ** place
        stats.ncx2.sf(stats.chi2.isf(0.05, k - 2), k - 2, n * ((true - fitted) ** 2 / fitted).sum())
    numbers = np.arange(total, total + max(20_000, 4 * total))
    trials = k * numbers - weighted
    missed = trials - total
    orderings = special.gammaln(numbers + 1) - special.gammaln(numbers - total + 1)
    likelihood = orderings + total * np.log(total / trials) + special.xlogy(missed, missed / trials)
    best = likelihood.max()
    for level in (0.95, 0.90):
        np.flatnonzero(2 * (best - likelihood) <= stats.chi2.ppf(level, 1))[[0, -1]]
    weighted_likelihood = orderings + special.betaln(1 + total, 1 + missed)
    number = numbers[np.argmax(weighted_likelihood)]
    spread_by_formula(number, total / (k * number - weighted), k)
    log = weighted_likelihood - np.log(numbers + 1)
    belief = np.exp(log - log.max())
    below = np.cumsum(belief)
    np.searchsorted(below, np.array([0.025, 0.5, 0.975]) * below[-1])
    (belief * (1 + total) / (2 + trials)).sum() / below[-1]
    # Fewer than three on the next pass: beta-binomial chances weighed by the belief.
    for fish in range(3):
        (belief * stats.betabinom.pmf(fish, numbers - total, 1 + total, 1 + missed)).sum() / below[-1]
    # One more pass with the expected catch.
    longer = np.append(caught, round(total / (k * number - weighted) * (number - total)))
    more, more_weighted = longer.sum(), ((k - np.arange(k + 1)) * longer).sum()
    again = np.arange(more, more + max(20_000, 4 * total))
    more_trials = (k + 1) * again - more_weighted
    np.argmax(special.gammaln(again + 1) - special.gammaln(again - more + 1) + special.betaln(1 + more, 1 + more_trials - more))
    tail, tail_place = caught[1:], place[: k - 1]
    if k > 2 and ((k - 2 - 2 * tail_place) * tail).sum() > 0:
        tail_total, tail_weighted = tail.sum(), ((k - 2 - tail_place) * tail).sum()
        later = share_by_root(k - 1, (tail_place * tail).sum() / tail_total)
        spread_by_formula(tail_total / (1 - (1 - later) ** (k - 1)), later, k - 1)
        tail_trials = (k - 1) * (numbers - caught[0]) - tail_weighted
        tail_missed = tail_trials - tail_total
        apart = (orderings + special.xlogy(caught[0], caught[0] / numbers)
                 + special.xlogy(numbers - caught[0], 1 - caught[0] / numbers)
                 + tail_total * np.log(tail_total / tail_trials) + special.xlogy(tail_missed, tail_missed / tail_trials))
        stats.chi2.sf(2 * (apart.max() - best), 1)


def share_by_root(k, delay):
    """Share taken by each of k passes, from the mean number of passes before a fish is taken."""
    score = lambda fall: 1 / math.expm1(fall) - k / math.expm1(k * fall) - delay
    return -math.expm1(-optimize.brentq(score, 1e-9, 60.0))


def spread_by_formula(n, p, k):
    left = (1 - p) ** k
    return np.sqrt(n * (1 - left) * left / ((1 - left) ** 2 - (k * p) ** 2 * (1 - p) ** (k - 1)))


def time_libraries(catches):
    np.seterr(all="ignore")
    for catch in catches:
        times = []
        # Catches of hundreds of thousands take long and hardly vary.
        while len(times) < 3 or len(times) < 31 and sum(times) < 1:
            begun = time.perf_counter()
            analysis_by_libraries(catch)
            times.append(time.perf_counter() - begun)
        print(1e6 * sorted(times)[len(times) // 2])


def main():
    words = argparse.ArgumentParser()
    words.add_argument("--seed", type=int, default=20_240_611)
    words.add_argument("--time", type=json.loads, metavar="CATCHES", help="only print the microseconds per catch this side takes")
    given_words = words.parse_args()
    if given_words.time:
        return time_libraries(given_words.time)
    seed = given_words.seed
    asked = list(questions(seed))
    given = answers(asked)
    assert len(given) == len(asked)
    wrong, compared, passed_over, noticed = [], Counter(), Counter(), defaultdict(list)
    for question, answer in zip(asked, given):
        kind = question["kind"]
        checked = set()
        for path, check in REFERENCES[kind](question):
            checked.add(path)
            figure = f"{kind} {general(path)}"
            here = at(answer, path)
            if check is unchecked:
                passed_over[figure] += 1
                continue
            compared[figure] += 1
            if trouble := check(here):
                wrong.append(f"{question}: {path} is {here}; {trouble}")
            if here is not None:
                noticed[figure].append(check(spoiled(here)) is not None)
        for path in leaves(answer):
            if not any(path == other or path.startswith(f"{other}.") for other in checked):
                wrong.append(f"{question}: nobody checks {path}")
    for law, here, there in laws(list(zip(asked, given))):
        compared[f"law {law}"] += 1
        if not math.isclose(here, there, rel_tol=1e-9):
            wrong.append(f"{law}: {here}, should be {there}")
    blind = [figure for figure, hits in noticed.items() if not any(hits)]
    wrong += [f"a spoiled figure passes: {figure}" for figure in blind]
    if wrong:
        sys.exit("\n".join([f"{len(wrong)} disagreements, seed {seed}", *wrong[:25]]))
    kinds = Counter(question["kind"] for question in asked)
    print(f"{len(asked)} questions, {sum(compared.values())} comparisons of {len(compared)} figures agree with brute force, seed {seed}")
    print(", ".join(f"{count} {kind}" for kind, count in kinds.items()))
    print(f"{sum(passed_over.values())} passed over: {', '.join(f'{figure} {count}' for figure, count in passed_over.items())}")
    sharp = sum(sum(hits) for hits in noticed.values()) / sum(map(len, noticed.values()))
    print(f"spoiled by a thousandth or one fish: {sharp:.1%} noticed, every figure at least once")


if __name__ == "__main__":
    main()
