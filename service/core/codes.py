"""The public code of a thing: ten characters that can be read aloud, typed and checked.

Nine characters carry the identity, mixed by a fixed bijection so that neighbours look unrelated (a
misread code does not hit the bale beside it, and the code tells nobody how many bales a plant has); the
tenth is a check character. The mixing hides nothing from someone who tries: a code is no secret and no
permission. The constants are printed on labels in the yard: changing one makes every label wrong.
"""

SITES = 2**13
NUMBERS_PER_SITE = 2**32
CODE_LENGTH = 10

ALPHABET = "0123456789ABCDEFGHJKMNPQRSTVWXYZ"
"""32 characters without I, L and O (read as 1 and 0) and without U (keeps most words out of the codes)."""

_IDENTITY_SHIFT = 40
_LONGEST_SHOWN = 40
_NUMBER_BITS = 32
_BITS = 45
_MASK = 2**_BITS - 1
_CHARACTER_BITS = 5
_PAYLOAD_LENGTH = CODE_LENGTH - 1
_MODULUS = len(ALPHABET)

# Two rounds of "xor with the upper bits, multiply by an odd number" and a last xor: each step can be
# undone, together every input bit reaches every output bit. The numbers are arbitrary odd constants.
_START = 0x0B6D_39A5_1C47
_XOR_SHIFT = 23
_MULTIPLIERS = (0x1B87_3593_CC9F, 0x09E3_779B_97F5)
_INVERSES = tuple(pow(multiplier, -1, 2**_BITS) for multiplier in _MULTIPLIERS)

_VALUES = {character: value for value, character in enumerate(ALPHABET)}
_MISREAD = str.maketrans({"O": "0", "I": "1", "L": "1"})


class IdentityOutOfRange(ValueError):
    """The identity is not site_no x 2**40 + n with site_no below 2**13 and n below 2**32."""


class NotACode(ValueError):
    """The text is not a code of this service: wrong length, wrong character or wrong check character."""


def code_for(identity: int) -> str:
    """The public code of an identity.

    Parameters
    ----------
    identity : int
        site_no x 2**40 + n, with 0 <= site_no < 8192 and 0 <= n < 2**32.

    Returns
    -------
    str
        Ten characters of ``ALPHABET``, the last one a check character.

    Raises
    ------
    IdentityOutOfRange
        If site or number does not fit.
    """
    site_no, number = divmod(identity, 2**_IDENTITY_SHIFT)
    if not (0 <= site_no < SITES and number < NUMBERS_PER_SITE):
        raise IdentityOutOfRange(
            f"expected site_no x 2**40 + n with site_no below {SITES} and n below {NUMBERS_PER_SITE}, "
            f"got {identity} (site {site_no}, n {number})"
        )
    mixed = _mix((site_no << _NUMBER_BITS) | number)
    payload = "".join(
        ALPHABET[(mixed >> (_CHARACTER_BITS * place)) % _MODULUS] for place in reversed(range(_PAYLOAD_LENGTH))
    )
    return payload + _check_character(payload)


def identity_of(code: str) -> int:
    """The identity behind a code as typed or scanned; inverse of ``code_for``.

    Raises
    ------
    NotACode
        As ``normalise``.
    """
    mixed = 0
    for character in normalise(code)[:_PAYLOAD_LENGTH]:
        mixed = (mixed << _CHARACTER_BITS) | _VALUES[character]
    site_no, number = divmod(_unmix(mixed), NUMBERS_PER_SITE)
    return (site_no << _IDENTITY_SHIFT) + number


def normalise(text: str) -> str:
    """The code in its one written form: upper case, no spaces or hyphens, O as 0, I and L as 1.

    Raises
    ------
    NotACode
        If length, a character or the check character is wrong; the message says which and what to do.
    """
    code = "".join(text.split()).replace("-", "").upper().translate(_MISREAD)
    shown = repr(text if len(text) <= _LONGEST_SHOWN else f"{text[:_LONGEST_SHOWN]}...")
    if len(code) != CODE_LENGTH:
        raise NotACode(
            f"expected a code of {CODE_LENGTH} characters, got {len(code)} in {shown}: type it again from the label"
        )
    strangers = [character for character in code if character not in _VALUES]
    if strangers:
        raise NotACode(
            f"expected digits and letters without U, got {strangers[0]!r} in {shown}: "
            "look at that character on the label again"
        )
    if _check_character(code[:_PAYLOAD_LENGTH]) != code[_PAYLOAD_LENGTH]:
        raise NotACode(
            f"the check character of {shown} does not fit: one character is wrong or two are swapped, "
            "compare it with the label and type it again"
        )
    return code


def _check_character(payload: str) -> str:
    """Check character by the hybrid system MOD M+1,M with M = 32.

    Source : ISO/IEC 7064:2003, hybrid systems (rule from memory; tested against an independent library).
    """
    product = _MODULUS
    for character in payload:
        total = (product + _VALUES[character]) % _MODULUS or _MODULUS
        product = 2 * total % (_MODULUS + 1)
    return ALPHABET[(1 - product) % _MODULUS]


def _mix(plain: int) -> int:
    """Fixed bijection on 45-bit numbers."""
    mixed = plain ^ _START
    for multiplier in _MULTIPLIERS:
        mixed ^= mixed >> _XOR_SHIFT
        mixed = (mixed * multiplier) & _MASK
    return mixed ^ (mixed >> _XOR_SHIFT)


def _unmix(mixed: int) -> int:
    """Inverse of ``_mix``."""
    # The shift is more than half the width, so xoring with the shifted value a second time undoes it.
    plain = mixed ^ (mixed >> _XOR_SHIFT)
    for inverse in reversed(_INVERSES):
        plain = (plain * inverse) & _MASK
        plain ^= plain >> _XOR_SHIFT
    return plain ^ _START
