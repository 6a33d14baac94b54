"""The signs people write numbers with: digits of any script, decimal marks, thousands marks.

Kept here: which signs mean the same and what a mark can mean. What a number is for is in ``typed``.
"""

import re
import unicodedata

LONGEST_TEXT = 40

# Thousands marks beside comma and point, each kind as one sign; signs of other keyboards for comma and point.
_SAME_SIGN = str.maketrans(
    {
        "\u2019": "'", "\u02bc": "'", "\u066c": "'",
        "\u00a0": " ", "\u2009": " ", "\u202f": " ", "\u2007": " ",
        "\uff0c": ",", "\uff0e": ".", "\u066b": ",",
    }
)  # fmt: skip
_GROUPED = re.compile(r"[1-9][0-9]{0,2}(?P<mark>[ '.,])[0-9]{3}(?:(?P=mark)[0-9]{3})*")


def plain_signs(text: str) -> str | None:
    """The text with ASCII digits and one sign for each kind of mark; None where it cannot be a number.

    Digits are taken from any script, but not from two in one number: nobody types that.

    Examples
    --------
    >>> plain_signs("٢٤٤٤٠٫٥"), plain_signs("24’440 kg"), plain_signs("two")
    ('24440,5', "24'440 kg", None)
    """
    if len(text) > LONGEST_TEXT:
        return None
    signs = text.translate(_SAME_SIGN).strip()
    values = [unicodedata.decimal(sign, None) for sign in signs]
    zeros = {ord(sign) - value for sign, value in zip(signs, values, strict=True) if value is not None}
    if len(zeros) != 1:
        return None
    return "".join(sign if value is None else str(value) for sign, value in zip(signs, values, strict=True))


def split_decimals(digits: str) -> tuple[str, str, str]:
    """Whole part without its thousands marks, decimal mark, decimals.

    The whole part keeps marks that are no proper thousands marks, so that it is no number.

    Examples
    --------
    >>> split_decimals("24.440,5"), split_decimals("1,234,567"), split_decimals("2 4440.5")
    (('24440', ',', '5'), ('1234567', '', ''), ('2 4440', '.', '5'))
    """
    last = max(digits.rfind("."), digits.rfind(","))
    # A mark that comes more than once can only be a thousands mark.
    has_decimals = last >= 0 and digits.count(digits[last]) == 1
    whole, mark, part = (digits[:last], digits[last], digits[last + 1 :]) if has_decimals else (digits, "", "")
    grouped = _GROUPED.fullmatch(whole)
    if grouped is not None:
        whole = whole.replace(grouped["mark"], "")
    return whole, mark, part


def may_be_thousands(digits: str) -> bool:
    """Whether the one mark in it can separate thousands as well as decimals.

    Examples
    --------
    >>> may_be_thousands("24.440"), may_be_thousands("0.440"), may_be_thousands("24.44")
    (True, False, False)
    """
    match = re.fullmatch(r"([0-9]{1,3})[.,][0-9]{3}", digits)
    return match is not None and int(match[1]) > 0
