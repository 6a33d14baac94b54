"""The exponential function to 50 digits, the same on every machine and quick enough for each layer of a vessel.

The decimal module rounds `exp` correctly but takes as long as a hundred of its multiplications. Here the
function is put together from a table and a short series; each operation is rounded in one way only.
"""

from decimal import Context, Decimal, DivisionByZero, InvalidOperation, Overflow
from functools import lru_cache
from math import factorial

__all__ = ["DIGITS", "exp_of_minus"]

# Up to 14 digits of a vessel's micrograms cancel each other, and 30 are to be right.
DIGITS = Context(prec=50, Emin=-999_999, Emax=999_999, traps=[InvalidOperation, DivisionByZero, Overflow])
STEPS = 1024
# (1 / 1024) ** 15 / 15! is below 10**-57.
SERIES = tuple(DIGITS.divide(Decimal((-1) ** power), Decimal(factorial(power))) for power in range(14, -1, -1))


def exp_of_minus(exponent: Decimal) -> Decimal:
    """`exp(-exponent)` of a number from 0 to some hundreds, in the context `DIGITS`, which must be active.

    Examples
    --------
    >>> from decimal import localcontext
    >>> with localcontext(DIGITS):
    ...     abs(exp_of_minus(Decimal("12.3456")) / Decimal("-12.3456").exp() - 1) < Decimal("1e-48")
    True
    """
    whole = int(exponent)
    rest = exponent - whole
    step = int(rest * STEPS)
    rest -= Decimal(step) / STEPS
    series = Decimal(0)
    for coefficient in SERIES:
        series = series * rest + coefficient
    return _exp_of_parts(-whole, 1) * _exp_of_parts(-step, STEPS) * series


@lru_cache(maxsize=4 * STEPS)
def _exp_of_parts(numerator: int, denominator: int) -> Decimal:
    return DIGITS.exp(DIGITS.divide(Decimal(numerator), Decimal(denominator)))
