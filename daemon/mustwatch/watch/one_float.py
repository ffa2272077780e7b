"""The filter's matrices for a lot with one float, written out element by element: the ordinary lot.

The loops of ``gravity_filter`` do for any number of floats what is done here for one, with the same operations in the
same order, so that the result is the same to the last bit (tests/property/test_watch_one_float.py holds them to that).
Written out they take a third of the time, and on a Pi the watch is most of what a reading costs.

Rows and columns: a gravity, b rate, c acceleration, d the float's offset, e its temperature coefficient.
"""

from mustwatch.watch.motion import Motion

ORDER = 5
"""Elements of the state of a lot with one float."""

Matrix = list[list[float]]


def carried(p: Matrix, dt: float, faster: float, t: Motion, v: float, walks: tuple[float, float]) -> Matrix:
    """Return the covariance ``dt`` days on.

    Args:
        p: the covariance.
        dt: days.
        faster: the factor by which rate and acceleration were hastened.
        t: the motion over so many days, for a variance of the acceleration of one; ``v``: that variance.
        walks: variances that the float's offset and its coefficient gain in a day.
    """
    (
        (aa, ab, ac, ad, ae),
        (ba, bb, bc, bd, be),
        (ca, cb, cc, cd, ce),
        (da, db, dc, dd, de),
        (ea, eb, ec, ed, ee),
    ) = p
    if faster != 1.0:
        ab, ac = ab * faster, ac * faster
        ba, bb, bc, bd, be = ba * faster, bb * faster * faster, bc * faster * faster, bd * faster, be * faster
        ca, cb, cc, cd, ce = ca * faster, cb * faster * faster, cc * faster * faster, cd * faster, ce * faster
        db, dc = db * faster, dc * faster
        eb, ec = eb * faster, ec * faster
    f13, f23, f33 = t.f13, t.f23, t.f33
    aa = aa + dt * ba + f13 * ca
    ab = ab + dt * bb + f13 * cb
    ac = ac + dt * bc + f13 * cc
    ad = ad + dt * bd + f13 * cd
    ae = ae + dt * be + f13 * ce
    ba, bb, bc, bd, be = ba + f23 * ca, bb + f23 * cb, bc + f23 * cc, bd + f23 * cd, be + f23 * ce
    ca, cb, cc, cd, ce = f33 * ca, f33 * cb, f33 * cc, f33 * cd, f33 * ce
    q12, q13, q23 = v * t.q12, v * t.q13, v * t.q23
    return [
        [aa + dt * ab + f13 * ac + v * t.q11, ab + f23 * ac + q12, f33 * ac + q13, ad, ae],
        [ba + dt * bb + f13 * bc + q12, bb + f23 * bc + v * t.q22, f33 * bc + q23, bd, be],
        [ca + dt * cb + f13 * cc + q13, cb + f23 * cc + q23, f33 * cc + v * t.q33, cd, ce],
        [da + dt * db + f13 * dc, db + f23 * dc, f33 * dc, dd + walks[0] * dt, de],
        [ea + dt * eb + f13 * ec, eb + f23 * ec, f33 * ec, ed, ee + walks[1] * dt],
    ]


def informed(
    x: list[float], p: Matrix, warmer_k: float, residual: float, noise_var: float
) -> tuple[list[float], Matrix, float]:
    """Return state and covariance after what the float showed, and the variance that was expected of it."""
    (
        (aa, ab, ac, ad, ae),
        (ba, bb, bc, bd, be),
        (ca, cb, cc, cd, ce),
        (da, db, dc, dd, de),
        (ea, eb, ec, ed, ee),
    ) = p
    ha, hb, hc = aa + ad + warmer_k * ae, ba + bd + warmer_k * be, ca + cd + warmer_k * ce
    hd, he = da + dd + warmer_k * de, ea + ed + warmer_k * ee
    s = ha + hd + warmer_k * he + noise_var
    g = 1.0 / s
    ka, kb, kc, kd, ke = ha * g, hb * g, hc * g, hd * g, he * g
    a, b, c, d, e = x
    return (
        [a + ka * residual, b + kb * residual, c + kc * residual, d + kd * residual, e + ke * residual],
        [
            [aa - ka * ha, ab - ka * hb, ac - ka * hc, ad - ka * hd, ae - ka * he],
            [ba - kb * ha, bb - kb * hb, bc - kb * hc, bd - kb * hd, be - kb * he],
            [ca - kc * ha, cb - kc * hb, cc - kc * hc, cd - kc * hd, ce - kc * he],
            [da - kd * ha, db - kd * hb, dc - kd * hc, dd - kd * hd, de - kd * he],
            [ea - ke * ha, eb - ke * hb, ec - ke * hc, ed - ke * hd, ee - ke * he],
        ],
        s,
    )
