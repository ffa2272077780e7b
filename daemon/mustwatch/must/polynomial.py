"""Polynomials of low order fitted by least squares, in the basis that is orthogonal over the points.

A polynomial is the tuple of its coefficients, constant first. Meant for order 1 to 3 on abscissas scaled to
-1..1, where this is well conditioned without any matrix.

Source: Forsythe 1957, J. SIAM 5:74 (the three-term recurrence).
"""

from collections.abc import Iterator, Sequence

Polynomial = tuple[float, ...]


def value(of: Polynomial, x: float) -> float:
    """Return the polynomial at x (Horner's scheme)."""
    total = 0.0
    for coefficient in reversed(of):
        total = total * x + coefficient
    return total


def derivative(of: Polynomial) -> Polynomial:
    """Return the derivative; that of a constant is the polynomial 0."""
    return tuple(k * c for k, c in enumerate(of) if k) or (0.0,)


def times(one: Polynomial, other: Polynomial) -> Polynomial:
    """Return the product of two polynomials."""
    product = [0.0] * (len(one) + len(other) - 1)
    for i, a in enumerate(one):
        for k, b in enumerate(other):
            product[i + k] += a * b
    return tuple(product)


def plus(one: Polynomial, other: Polynomial, scale: float = 1.0) -> Polynomial:
    """Return ``one + scale * other``."""
    length = max(len(one), len(other))
    padded_one = (*one, *[0.0] * (length - len(one)))
    padded_other = (*other, *[0.0] * (length - len(other)))
    return tuple(a + scale * b for a, b in zip(padded_one, padded_other, strict=True))


def orthogonal(xs: Sequence[float]) -> Iterator[tuple[Polynomial, float]]:
    """Yield polynomials of order 0, 1, 2 … orthogonal over ``xs``, each with the sum of its squares there.

    Ends before the order that ``xs`` (with its repeats) can no longer tell from a lower one.
    """
    before: Polynomial = (0.0,)
    norm_before = 1.0
    now: Polynomial = (1.0,)
    for _ in range(len(set(xs))):
        at = [value(now, x) for x in xs]
        norm = sum(v * v for v in at)
        yield now, norm
        shift = sum(x * v * v for x, v in zip(xs, at, strict=True)) / norm
        ratio = norm / norm_before if len(now) > 1 else 0.0
        before, now = now, plus(times((-shift, 1.0), now), before, -ratio)
        norm_before = norm


def fits(xs: Sequence[float], ys: Sequence[float]) -> Iterator[tuple[Polynomial, Polynomial]]:
    """Yield, for order 0, 1, 2 …, the least-squares polynomial and the polynomial of its leverage.

    The leverage at x is the variance of the fitted value there in units of the variance of one y.
    """
    curve: Polynomial = (0.0,)
    leverage: Polynomial = (0.0,)
    for basis, norm in orthogonal(xs):
        weight = sum(y * value(basis, x) for x, y in zip(xs, ys, strict=True)) / norm
        curve = plus(curve, basis, weight)
        leverage = plus(leverage, times(basis, basis), 1.0 / norm)
        yield curve, leverage
