"""Answers to removal questions by brute force: the likelihoods and posteriors themselves, scanned, summed and
maximised with general-purpose numerical routines. Nothing here is taken over from the estimate crate: where the crate
solves an equation, this climbs the likelihood; where it has a closed spread, this differentiates numerically; where
it searches, this walks through all numbers of fish."""

import math
from functools import cached_property, lru_cache

import numpy as np
from scipy import optimize, special, stats

LONG = np.longdouble
# Numbers of fish walked through; what has its answer past this is not compared.
FARTHEST = 130_000


class Beyond(Exception):
    """The answer lies past what is walked through."""


def totals(catch):
    k, total = len(catch), sum(catch)
    return k, total, sum((k - 1 - i) * fish for i, fish in enumerate(catch))


def falls(catch):
    """Whether the likelihood of the passes, given the total, is highest at a capture chance above zero.

    Given the total the passes are multinomial with shares q^i / sum q^j: an exponential family in log q, so the
    derivative at q = 1 decides, and it is exact in whole numbers."""
    k, total, _ = totals(catch)
    return k >= 2 and total > 0 and 2 * sum(i * fish for i, fish in enumerate(catch)) < total * (k - 1)


def all_on_first(catch):
    return sum(catch) == catch[0]


# ---------------------------------------------------------------- conditional likelihood


def conditional(catch):
    """Highest conditional likelihood (N, p): the root of its derivative, confirmed by a bounded search.

    `catch` may hold fractions of fish: expected catches."""
    k, total = len(catch), sum(catch)
    if all_on_first(catch):
        return float(total), 1.0
    delay = sum(i * fish for i, fish in enumerate(catch)) / total
    place = np.arange(k)

    def score(fall):
        share = np.exp(-fall * place)
        return (share * place).sum() / share.sum() - delay

    fall = optimize.brentq(score, 0.0, 60.0, xtol=1e-300, rtol=8.9e-16, maxiter=500)
    lost = lambda f: f * delay + special.logsumexp(-f * place)
    searched = optimize.minimize_scalar(lost, bounds=(0.0, 60.0), method="bounded", options={"xatol": 1e-10})
    assert abs(searched.x - fall) < 1e-4 * max(fall, 1.0) and lost(fall) <= searched.fun + 1e-12
    return total / -math.expm1(-k * fall), -math.expm1(-fall)


def hessian_spread(log_likelihood, missed, p):
    """Standard errors of fish and of the other parameter from the second differences of a log likelihood of both."""
    missed, p = LONG(missed), LONG(p)
    f = log_likelihood

    def second(hn, hp):
        middle = 2 * f(missed, p)
        return np.array([
            (f(missed + hn, p) - middle + f(missed - hn, p)) / hn**2,
            (f(missed + hn, p + hp) - f(missed + hn, p - hp) - f(missed - hn, p + hp) + f(missed - hn, p - hp)) / (4 * hn * hp),
            (f(missed, p + hp) - middle + f(missed, p - hp)) / hp**2,
        ])

    hn, hp = LONG(1e-2) * missed, LONG(1e-2) * p * (1 - p)
    # Three steps, twice extrapolated: the error of the sixth order in the step is left.
    whole, half, quarter = second(hn, hp), second(hn / 2, hp / 2), second(hn / 4, hp / 4)
    once, twice = (4 * half - whole) / 3, (4 * quarter - half) / 3
    a, b, d = -(16 * twice - once) / 15
    determinant = a * d - b * b
    if determinant <= 0:
        return None
    return float(np.sqrt(d / determinant)), float(np.sqrt(a / determinant))


def orderings(total, missed):
    """ln N!/(N-T)! for many fish, by the leading terms of Stirling's formula, less T ln T and T."""
    return total * np.log1p(missed / total) - missed * np.log(missed / (total + missed))


def large_sample(catch, missed, p):
    """Standard errors from the curvature of the likelihood for many fish."""
    k, total, weighted = len(catch), LONG(sum(catch)), sum((len(catch) - 1 - i) * LONG(f) for i, f in enumerate(catch))

    def log_likelihood(missed, p):
        misses = k * missed + (k - 1) * total - weighted
        return orderings(total, missed) + total * np.log(p) + misses * np.log1p(-p)

    return hessian_spread(log_likelihood, missed, p)


def expected_spread(n, p, passes):
    """The same with the expected catches for N and p."""
    if passes < 2 or not 0 < p < 1:
        return None
    q = LONG(1) - LONG(p)
    return large_sample([LONG(n) * LONG(p) * q**i for i in range(passes)], LONG(n) * q**passes, p)


# ---------------------------------------------------------------- whole numbers of fish


class Likelihood:
    """Full likelihood of every whole number of fish from the catch on, `p` at its best for each.

    With `first_free` the first pass has a chance of its own."""

    def __init__(self, catch, first_free=False):
        self.catch, self.first_free = catch, first_free
        self.first = catch[0] if first_free else 0
        tail = catch[1:] if first_free else catch
        self.k, self.total = len(tail), sum(catch)
        self.tail_total = sum(tail)
        self.weighted = sum((self.k - 1 - i) * fish for i, fish in enumerate(tail))

    def shares(self, n):
        """All but the orderings, for an array of numbers of fish, with `T ln n` added."""
        n = n.astype(LONG)
        trials = self.k * (n - self.first) - self.weighted
        value = binomial_part(self.tail_total, trials)
        if self.first_free:
            value = value + binomial_part(self.first, n)
        return value + self.total * np.log(n)

    @lru_cache(maxsize=None)
    def far(self, n=10**15):
        """The value for so many fish that more make no difference."""
        orderings = np.log1p(-np.arange(self.total, dtype=LONG) / LONG(n)).sum()
        trials = LONG(self.k) * (n - self.first) - self.weighted
        value = orderings + self.tail_total * np.log(LONG(n) * self.tail_total / trials)
        value += (trials - self.tail_total) * np.log1p(-LONG(self.tail_total) / trials)
        assert not self.first_free
        return value - self.orders

    @cached_property
    def orders(self):
        return sum(LONG(math.lgamma(fish + 1)) for fish in self.catch)

    @cached_property
    def walked(self):
        """Values for `total ..`, walked until they have fallen below every interval or are known never to."""
        parts, start = [], self.total
        # ln N! / (N - T)! - T ln N, one fish after the other.
        ordering = np.log(np.arange(1, self.total + 1, dtype=LONG)).sum() - self.total * np.log(LONG(self.total))
        size = 4096
        while start < FARTHEST:
            n = np.arange(start, start + size, dtype=np.int64)
            after = n.astype(LONG) + 1
            steps = -np.log1p(-self.total / after) + self.total * np.log1p(-1 / after)
            before = np.concatenate([[LONG(0)], np.cumsum(steps)])
            parts.append(ordering + before[:-1] + self.shares(n))
            ordering += before[-1]
            start += size
            size *= 2
            highest = max(part.max() for part in parts)
            fallen = highest - parts[-1][-1]
            if fallen > 2 or (self.first_free and fallen > 0.1):
                break
            # Past the top, and the limit too near it for any interval to end.
            if fallen > 1e-6 and not self.first_free and highest - self.orders - self.far() < 1.35:
                break
        return np.concatenate(parts) - self.orders

    @cached_property
    def best(self):
        """Number of fish with the highest likelihood, or `None` where it rises for ever."""
        place = int(np.argmax(self.walked))
        if place == len(self.walked) - 1:
            if not self.first_free and self.walked[-1] < self.far():
                return None
            raise Beyond
        n = self.total + place
        while n > self.total and self.beats(n - 1, n) >= 0:
            n -= 1
        while self.beats(n + 1, n) > 0:
            n += 1
        if not self.first_free and self.walked[n - self.total] <= self.far() + LONG(1e-13):
            return None
        return n

    def beats(self, one, other):
        """Sign of the difference of two likelihoods, in whole numbers without any rounding where they aren't huge."""
        if one * self.k > 20_000 or self.first_free:
            difference = self.walked[one - self.total] - self.walked[other - self.total]
            return 0 if abs(difference) < LONG(1e-15) * self.total else (1 if difference > 0 else -1)
        left = self.ways(one) * self.power(other)
        right = self.ways(other) * self.power(one)
        return (left > right) - (left < right)

    def ways(self, n):
        misses = self.k * n - self.weighted - self.total
        return math.perm(n, self.total) * misses**misses

    def power(self, n):
        trials = self.k * n - self.weighted
        return trials**trials

    @cached_property
    def top(self):
        """The highest value, or the limit where there is no highest."""
        return self.far() if self.best is None else self.walked[self.best - self.total]

    def interval(self, level):
        """All numbers of fish whose likelihood is within half the chi-square quantile of the highest."""
        inside = 2 * (self.top - self.walked) <= stats.chi2.ppf(level, 1)
        if not inside.any():
            raise Beyond
        low = self.total + int(np.argmax(inside))
        if self.best is None or 2 * (self.top - self.far()) <= stats.chi2.ppf(level, 1):
            return low, None
        if inside[-1]:
            raise Beyond
        high = self.total + len(inside) - 1 - int(np.argmax(inside[::-1]))
        assert inside[low - self.total : high - self.total + 1].all(), "the interval has a gap"
        return low, high


def binomial_part(hits, trials):
    """hits ln(hits / trials) + misses ln(misses / trials)."""
    misses = trials - hits
    with np.errstate(divide="ignore", invalid="ignore"):
        missed = np.where(misses > 0, misses * np.log1p(-LONG(hits) / trials), LONG(0))
    return missed + (hits * np.log(hits / trials) if hits > 0 else 0)


@lru_cache(maxsize=4096)
def weighted_best(catch, alpha, beta):
    """Number of fish with the highest likelihood weighted by Beta(alpha, beta) on `p`, by walking."""
    k, total, weighted = totals(catch)
    size, start, best, top = 4096, total, total, -math.inf
    while start < FARTHEST:
        n = np.arange(start, start + size, dtype=float)
        misses = k * n - weighted - total
        value = special.betaln(alpha + total, beta + misses) - special.betaln(n - total + 1, total)
        place = int(np.argmax(value))
        if value[place] > top:
            best, top = start + place, value[place]
        if value[-1] < top - 2:
            break
        start, size = start + size, size * 2
    else:
        raise Beyond
    if alpha == beta == 1:
        # Whole numbers decide between neighbours: B(1 + T, 1 + M) is one over (M + 1) ... (M + T + 1), but for a constant.
        def better(one, other):
            top_of = lambda n: math.perm(n, total)
            below = lambda n: math.perm(k * n - weighted + 1, total + 1)
            return top_of(one) * below(other) - top_of(other) * below(one)

        while best > total and better(best - 1, best) >= 0:
            best -= 1
        while better(best + 1, best) > 0:
            best += 1
    return best, top


def share(catch, n):
    k, total, weighted = totals(catch)
    return total / (k * n - weighted)


# ---------------------------------------------------------------- posterior


class Posterior:
    """P(N | catch) for Beta(alpha, beta) on `p` and 1/(N+1) on N: summed term by term, the far tail integrated."""

    ONE_BY_ONE = 20_000

    def __init__(self, catch, alpha, beta):
        self.k, self.total, self.weighted = totals(catch)
        self.alpha, self.beta = alpha, beta
        count = max(self.ONE_BY_ONE, 40 * self.total)
        self.n = np.arange(self.total, self.total + count, dtype=float)
        log = self.log_term(self.n)
        self.top = log.max()
        self.term = np.exp(log - self.top)
        # Past the terms: panels of a sixth of a unit of ln N, eight Gauss-Legendre points each.
        node, weight = np.polynomial.legendre.leggauss(8)
        edges = np.log(self.n[-1] + 0.5) + np.arange(0, 241) / 6
        middle, half = (edges[1:] + edges[:-1]) / 2, (edges[1:] - edges[:-1]) / 2
        self.far_n = np.exp(middle[:, None] + half[:, None] * node)
        self.far_term = half[:, None] * weight * self.far_n * np.exp(self.log_term(self.far_n) - self.top)
        self.edges = edges
        self.below = np.cumsum(self.term)
        self.far_below = self.below[-1] + np.cumsum(self.far_term.sum(axis=1))
        self.sum = self.far_below[-1]

    def misses(self, n):
        return self.beta + self.k * n - self.weighted - self.total

    def log_term(self, n):
        orderings = -special.betaln(n - self.total + 1, self.total) if self.total else 0.0
        return orderings + special.betaln(self.alpha + self.total, self.misses(n)) - np.log(n + 1)

    def cdf(self, n):
        """Chance of at most `n` fish."""
        place = n - self.total
        if place < 0:
            return 0.0
        if place < len(self.below):
            return self.below[place] / self.sum
        # Between two edges: a panel cut short, integrated anew.
        end = math.log(n + 0.5)
        panel = int(np.searchsorted(self.edges, end)) - 1
        if panel >= len(self.far_below):
            return 1.0
        start = self.edges[panel]
        node, weight = np.polynomial.legendre.leggauss(8)
        half = (end - start) / 2
        far = np.exp(start + half + half * node)
        part = (half * weight * far * np.exp(self.log_term(far) - self.top)).sum()
        before = self.below[-1] if panel == 0 else self.far_below[panel - 1]
        return (before + part) / self.sum

    def mean(self, of):
        return ((self.term * of(self.n)).sum() + (self.far_term * of(self.far_n)).sum()) / self.sum

    def mean_p(self):
        hits = self.alpha + self.total
        return self.mean(lambda n: hits / (hits + self.misses(n)))

    def next_catch(self, fish):
        """Chance that one more pass takes exactly `fish`: beta-binomial, averaged over N."""
        hits = self.alpha + self.total

        def chance(n):
            left = n - self.total
            possible = left >= fish
            left = np.where(possible, left, fish)
            misses = self.misses(n)
            log = -np.log(left + 1) - special.betaln(left - fish + 1, fish + 1)
            log = log + special.betaln(fish + hits, left - fish + misses) - special.betaln(hits, misses)
            return np.where(possible, np.exp(log), 0.0)

        return self.mean(chance)


# ---------------------------------------------------------------- unequal effort


class Effort:
    """Passes of unequal effort: pass i takes 1 - exp(-q f_i) of the fish left."""

    FARTHEST = 12_000

    def __init__(self, catch, effort):
        self.catch, self.effort = np.array(catch, float), np.array(effort, float)
        self.total, self.whole = int(sum(catch)), float(sum(effort))
        self.before = np.cumsum(self.effort) - self.effort
        self.caught = np.cumsum(self.catch)

    def slope(self, log_q):
        """Derivative of the conditional log likelihood in ln q, by a step along the imaginary axis."""
        step = 1e-30
        q = np.exp(log_q + 1j * step)
        value = (self.catch * (np.log(-np.expm1(-q * self.effort)) - q * self.before)).sum()
        value -= self.total * np.log(-np.expm1(-q * self.whole))
        return value.imag / step

    @cached_property
    def falls(self):
        slow = 1e-6 / self.whole
        return len(self.catch) > 1 and self.total > 0 and self.slope(math.log(slow)) / slow > 1e-5 * self.total * self.whole

    @cached_property
    def conditional(self):
        top = math.log(60 / self.effort.min())
        q = math.exp(optimize.brentq(self.slope, math.log(1e-6 / self.whole), top, xtol=1e-14))
        return self.total / -math.expm1(-q * self.whole), q

    def spread(self, n, q):
        effort, before = self.effort.astype(LONG), self.before.astype(LONG)
        catch = LONG(n) * np.exp(-LONG(q) * before) * -np.expm1(-LONG(q) * effort)
        total, caught = catch.sum(), np.cumsum(catch)
        # Scaled so that the second parameter lies between 0 and 1.
        scale = 2 * LONG(q)

        def log_likelihood(missed, half):
            misses = (effort * (total + missed - caught)).sum()
            return orderings(total, missed) + (catch * np.log(-np.expm1(-half * scale * effort))).sum() - half * scale * misses

        spread = hessian_spread(log_likelihood, LONG(n) * np.exp(-LONG(q) * effort.sum()), 0.5)
        return spread[0]

    def at(self, n, q):
        """Full log likelihood for arrays of numbers of fish and of catchabilities."""
        orderings = special.gammaln(n + 1) - special.gammaln(n - self.total + 1)
        return orderings + self.given(n, q)

    def given(self, n, q):
        hits = (self.catch * np.log(-np.expm1(-np.outer(q, self.effort)))).sum(axis=1)
        exposed = (self.effort * (n[:, None] - self.caught)).sum(axis=1)
        return hits - q * exposed - special.gammaln(self.catch + 1).sum()

    def best_q(self, n):
        """Golden section in ln q for each number of fish."""
        golden = (math.sqrt(5) - 1) / 2
        low = np.full(len(n), math.log(1e-10 / self.whole / n.max()))
        high = np.full(len(n), math.log(64 / self.effort.min()))
        for _ in range(95):
            left, right = high - golden * (high - low), low + golden * (high - low)
            up = self.given(n, np.exp(left)) < self.given(n, np.exp(right))
            low, high = np.where(up, left, low), np.where(up, high, right)
        return np.exp((low + high) / 2)

    @cached_property
    def walked(self):
        n = np.arange(self.total, self.total + self.FARTHEST, dtype=float)
        return self.at(n, self.best_q(n))

    @cached_property
    def best(self):
        place = int(np.argmax(self.walked))
        if place == len(self.walked) - 1:
            raise Beyond
        return self.total + place

    @cached_property
    def far(self):
        n = np.array([1e13])
        orderings = np.log(n[0] - np.arange(self.total)).sum()
        return orderings + self.given(n, self.best_q(n))[0]

    def interval(self):
        quantile = stats.chi2.ppf(0.95, 1)
        top = self.walked[self.best - self.total]
        inside = 2 * (top - self.walked) <= quantile
        low = self.total + int(np.argmax(inside))
        if 2 * (top - self.far) <= quantile:
            return low, None
        if inside[-1]:
            raise Beyond
        return low, self.total + len(inside) - 1 - int(np.argmax(inside[::-1]))


# ---------------------------------------------------------------- counts


def poisson_limits(count):
    """Means at which the count is just within the outer 2.5 % of a Poisson distribution, either way."""
    top = count + 20 * math.sqrt(count + 1) + 20
    high = optimize.brentq(lambda mean: stats.poisson.cdf(count, mean) - 0.025, max(count, 1e-9), top, xtol=1e-13)
    if count == 0:
        return 0.0, high
    low = optimize.brentq(lambda mean: stats.poisson.sf(count - 1, mean) - 0.025, 1e-12, count + 1, xtol=1e-13)
    return low, high


def shortest_limits(marked, second, again):
    """The shortest interval for N that leaves out 5 % of a Poisson number of recaptures."""
    top = 2 * again + 60

    def means(share):
        low = optimize.brentq(lambda mean: stats.poisson.sf(again - 1, mean) - share, 1e-12, top, xtol=1e-14)
        high = optimize.brentq(lambda mean: stats.poisson.cdf(again, mean) - (0.05 - share), 1e-12, top, xtol=1e-14)
        return low, high

    def width(share):
        low, high = means(share)
        return 1 / low - 1 / high

    found = optimize.minimize_scalar(width, bounds=(1e-7, 0.05 - 1e-7), method="bounded", options={"xatol": 1e-12})
    low, high = means(found.x)
    return marked * second / high, marked * second / low
