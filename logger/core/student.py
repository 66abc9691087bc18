"""Student's t distribution, exact enough to need no library.

The tail is the regularised incomplete beta function, by its continued fraction (modified Lentz);
the quantile is Newton's method on the logarithm of the tail.
Source: NIST Digital Library of Mathematical Functions 8.17.22 (continued fraction), 5.11.13 (ratio
of gamma functions); the distribution itself: JCGM 100:2008 annex G.3; for very many degrees of
freedom Hill's normal deviate (Algorithm 395, Communications of the ACM 13, 1970; recalled).
"""

from __future__ import annotations

import math

_EPSILON = 1e-16  # relative change at which the continued fraction has converged
_TINY = 1e-300  # stands for zero in Lentz's method
_DEVIATE_FROM = 1e5  # degrees of freedom; beyond it the fraction loses digits, Hill's series none
_NORMAL_FROM = 1e15  # degrees of freedom; beyond it, t and normal agree to double precision
_MEDIAN = 0.5  # probability
_STEP_END = 1e-15  # relative step at which Newton's method has arrived
_EXPONENT_MAX = 700.0  # of exp: beyond it a double overflows
_SERIES_FROM = 100.0  # argument of the gamma ratio; its series is then good to 1e-14
_HUGE = 1e150  # a quantile beyond it is told as inf: its square would overflow
_MAX_TERMS = 1_000  # of the continued fraction; needed: below 60 for 0.01..1e5 degrees
_MAX_STEPS = 200  # of Newton's method; needed: below 40

Z95 = 1.645  # standard normal 95 % quantile, one-sided
T975_MIN_NU = 3.0  # degrees of freedom; below it the table is too curved
_INTERVALS = 200  # of the table over 1/nu in 0..1/3: error of a chord < 1e-5
_SCALE = T975_MIN_NU * _INTERVALS
_table: list[float] = []


def t_cdf(x: float, nu: float) -> float:
    """Probability that a t variable of ``nu`` degrees of freedom (0 < nu <= inf) is below ``x``.

    Raises ValueError on nan and on ``nu`` that is not positive.

    >>> round(t_cdf(2.0, 10.0), 6)
    0.963306
    """
    _check_nu(nu)
    if math.isnan(x):
        raise ValueError("t_cdf of nan: the value must be a number")
    tail = _tail(abs(x), nu)
    return tail if x < 0.0 else 1.0 - tail


def t_quantile(p: float, nu: float) -> float:
    """Return the value below which a t variable of ``nu`` degrees of freedom lies with ``p``.

    Relative error below 1e-12 in the tails, absolute below 1e-12 near the median;
    p = 0 and 1 give -inf and inf, as does a quantile beyond 1e150 (``nu`` far below 1).
    Raises ValueError on ``p`` outside 0..1 and on ``nu`` that is not positive.

    >>> round(t_quantile(0.995, 16.0), 2)
    2.92
    """
    _check_nu(nu)
    if not 0.0 <= p <= 1.0:
        raise ValueError(f"t_quantile of p = {p}: a probability lies between 0 and 1")
    if p < _MEDIAN:
        return -_upper_quantile(p, nu)
    return _upper_quantile(1.0 - p, nu)


def t975(nu: float) -> float:
    """``t_quantile(0.975, nu)`` for the hot loop, at most 1e-5 too large.

    From 3 degrees of freedom on: a chord of a table over 1/nu, built at the first call.
    """
    if nu < T975_MIN_NU:
        return t_quantile(0.975, nu)
    place = _SCALE / nu
    i = int(place)
    if not _table:
        _table[:] = _t975_table()  # one assignment: another thread sees all of it or nothing
    low = _table[i]
    return low + (place - i) * (_table[i + 1] - low)


def _t975_table() -> list[float]:
    values = [t_quantile(0.975, _SCALE / i if i else math.inf) for i in range(_INTERVALS + 1)]
    return [*values, values[-1]]  # nu = 3 itself has a right-hand neighbour


def _check_nu(nu: float) -> None:
    if not nu > 0.0:
        raise ValueError(f"{nu} degrees of freedom: the number must be positive")


def _upper_quantile(q: float, nu: float) -> float:
    """Return x >= 0 with a tail of ``q`` <= 0.5 above it.

    The tail is below (1 + x^2/nu)^(-nu/2) / 2, as I_x(a, 1/2) <= I_x(a, 1): so the start lies at
    or above the root. log tail is concave in log x (log |T| has a log-concave density), so Newton
    comes down to the root without ever passing it.
    """
    if q == 0.0:
        return math.inf
    if q == _MEDIAN:
        return 0.0
    x = _start(q, nu)
    if x > _HUGE:
        return math.inf
    for _ in range(_MAX_STEPS):
        tail = _tail(x, nu)
        step = math.log(tail / q) * tail / _slope(x, nu)
        x *= math.exp(step)
        if step > -_STEP_END:
            break
    return x


def _start(q: float, nu: float) -> float:
    if nu >= _NORMAL_FROM:
        return math.sqrt(-2.0 * math.log(2.0 * q))
    exponent = -2.0 * math.log(2.0 * q) / nu
    if exponent > _EXPONENT_MAX:
        return math.inf
    return math.sqrt(nu * math.expm1(exponent))


def _slope(x: float, nu: float) -> float:
    """Return x times the density at x: the slope of the tail in log x, and the fraction's front."""
    if nu >= _NORMAL_FROM:
        return x * math.exp(-0.5 * x * x) / math.sqrt(2.0 * math.pi)
    a = 0.5 * nu
    square = x * x
    power = math.exp(-a * math.log1p(square / nu))
    return _gamma_ratio(a) / math.sqrt(math.pi) * power * math.sqrt(square / (nu + square))


def _tail(x: float, nu: float) -> float:
    """Probability of a t variable above ``x`` >= 0: I_{nu/(nu+x^2)}(nu/2, 1/2) / 2."""
    if nu >= _NORMAL_FROM:
        return 0.5 * math.erfc(x / math.sqrt(2.0))
    x = min(x, _HUGE)
    if nu >= _DEVIATE_FROM:
        return 0.5 * math.erfc(_normal_deviate(x, nu) / math.sqrt(2.0))
    a = 0.5 * nu
    total = nu + x * x
    if nu / total < (a + 1.0) / (a + 2.5):
        return 0.5 * _slope(x, nu) / a * _beta_fraction(a, 0.5, nu / total)
    return 0.5 - _slope(x, nu) * _beta_fraction(0.5, a, x * x / total)


def _normal_deviate(x: float, nu: float) -> float:
    """Return the normal deviate of the same tail; what is left out is of order nu^-4."""
    a = nu - 0.5
    w = math.sqrt(a * math.log1p(x * x / nu))
    return w + w * (w * w + 3.0) / (48.0 * a * a)


def _gamma_ratio(a: float) -> float:
    """Gamma(a + 1/2) / Gamma(a); by its series where gammas are large and would cancel."""
    if a < _SERIES_FROM:
        return math.gamma(a + 0.5) / math.gamma(a)
    r = 1.0 / (8.0 * a)
    return math.sqrt(a) * (1.0 - r * (1.0 - 0.5 * r * (1.0 + 5.0 * r * (1.0 - 21.0 / 20.0 * r))))


def _beta_fraction(a: float, b: float, x: float) -> float:
    """Return the continued fraction of the incomplete beta function, quick for x < (a+1)/(a+b+2)."""
    c = 1.0
    d = 1.0 / (_nonzero(1.0 - (a + b) * x / (a + 1.0)))
    value = d
    for m in range(1, _MAX_TERMS):
        a2m = a + 2.0 * m
        even = m * (b - m) * x / ((a2m - 1.0) * a2m)
        d = 1.0 / _nonzero(1.0 + even * d)
        c = _nonzero(1.0 + even / c)
        value *= d * c
        odd = -(a + m) * (a + b + m) * x / (a2m * (a2m + 1.0))
        d = 1.0 / _nonzero(1.0 + odd * d)
        c = _nonzero(1.0 + odd / c)
        change = d * c
        value *= change
        if abs(change - 1.0) <= _EPSILON:
            break
    return value


def _nonzero(x: float) -> float:
    return x if abs(x) > _TINY else _TINY
