"""Goal: a code on a label leads to one thing for ever, survives reading aloud and typing, and a slip is seen.

Method: an independent library as oracle for the check character, every single substitution and every
swap of neighbours of a sample (swaps that slip through are counted and must equal what the check system
allows), bijection by property, pinned codes because labels in the yard outlive versions.
"""

import itertools
import random
from collections.abc import Iterator

import pytest
from hypothesis import given
from hypothesis import strategies as st
from stdnum.iso7064 import mod_37_36

from service.core.codes import (
    ALPHABET,
    CODE_LENGTH,
    NUMBERS_PER_SITE,
    SITES,
    IdentityOutOfRange,
    NotACode,
    code_for,
    identity_of,
    normalise,
)

IDENTITIES = st.builds(
    lambda site_no, number: site_no * 2**40 + number,
    st.integers(0, SITES - 1),
    st.integers(0, NUMBERS_PER_SITE - 1),
)
SAMPLE = [code_for(1 * 2**40 + number) for number in range(60)]
PINNED = {
    0: "Q2ZTMZMYEJ",
    1: "4T2E1YYE36",
    1099511627776: "P6G4QX70VB",
    1099511627777: "ZJ0QQVAKNY",
    1099511627778: "YYBNNTN54C",
    7696581517888: "YNGVBMTES3",
    9006104038080511: "J6BHR85KR7",
}


@given(IDENTITIES)
def test_code_and_identity_are_each_others_inverse(identity: int) -> None:
    code = code_for(identity)
    assert len(code) == CODE_LENGTH
    assert set(code) <= set(ALPHABET)
    assert normalise(code) == code
    assert identity_of(code) == identity


@given(st.text(ALPHABET, min_size=9, max_size=9))
def test_every_payload_belongs_to_exactly_one_identity(payload: str) -> None:
    code = payload + mod_37_36.calc_check_digit(payload, ALPHABET)
    assert code_for(identity_of(code)) == code


@given(IDENTITIES)
def test_check_character_agrees_with_an_independent_library(identity: int) -> None:
    # Oracle: python-stdnum, iso7064.mod_37_36 (hybrid system MOD M+1,M of ISO 7064) on our 32 characters.
    code = code_for(identity)
    assert code[-1] == mod_37_36.calc_check_digit(code[:-1], ALPHABET)
    assert mod_37_36.checksum(code, ALPHABET) == 1


@pytest.mark.parametrize(("identity", "code"), PINNED.items())
def test_codes_already_printed_keep_their_meaning(identity: int, code: str) -> None:
    assert code_for(identity) == code
    assert identity_of(code) == identity


def test_every_single_wrong_character_is_detected() -> None:
    slipped = [
        wrong
        for code in SAMPLE
        for place, character in itertools.product(range(CODE_LENGTH), ALPHABET)
        if (wrong := code[:place] + character + code[place + 1 :]) != code and is_accepted(wrong)
    ]
    assert slipped == []


def swaps(codes: list[str]) -> Iterator[str]:
    for code, place in itertools.product(codes, range(CODE_LENGTH - 1)):
        if code[place] != code[place + 1]:
            yield code[:place] + code[place + 1] + code[place] + code[place + 2 :]


def is_accepted(text: str) -> bool:
    try:
        normalise(text)
    except NotACode:
        return False
    return True


def test_swapped_neighbours_are_detected_but_for_a_known_few() -> None:
    # A hybrid system does not find every swap. Measured on 348 864 swaps: 659 slip through, 0.19 %.
    chance = random.Random(1)
    codes = [code_for(chance.randrange(SITES) * 2**40 + chance.randrange(NUMBERS_PER_SITE)) for _ in range(1500)]
    swapped = list(swaps(codes))
    slipped = [text for text in swapped if is_accepted(text)]
    assert slipped == [text for text in swapped if mod_37_36.is_valid(text, ALPHABET)]
    assert len(swapped) > 12_000
    assert len(slipped) / len(swapped) < 0.005


def test_consecutive_identities_have_unrelated_codes() -> None:
    numbers = [identity_bits(code_for(2**40 + number)) for number in range(2_001)]
    changed = [(one ^ other).bit_count() for one, other in itertools.pairwise(numbers)]
    # Unrelated 45-bit numbers differ in 22.5 bits on average, standard deviation 3.35.
    assert 22 < sum(changed) / len(changed) < 23
    assert min(changed) >= 8
    rising = sum(one < other for one, other in itertools.pairwise(numbers))
    assert 900 < rising < 1_100
    assert len({number >> 25 for number in numbers}) > 1_990  # first four characters hardly ever repeat


def identity_bits(code: str) -> int:
    bits = 0
    for character in code[:-1]:
        bits = bits * 32 + ALPHABET.index(character)
    return bits


@pytest.mark.parametrize("bit", range(45))
def test_every_bit_of_the_identity_moves_every_bit_of_the_code(bit: int) -> None:
    chance = random.Random(bit)
    flips = [0] * 45
    for _ in range(400):
        plain = chance.getrandbits(45)
        first, second = (code_for((value >> 32) * 2**40 + value % 2**32) for value in (plain, plain ^ (1 << bit)))
        difference = identity_bits(first) ^ identity_bits(second)
        for place in range(45):
            flips[place] += difference >> place & 1
    assert min(flips) > 120
    assert max(flips) < 280


@pytest.mark.parametrize(
    "identity",
    [-1, 2**32, 2**40 - 1, 2**40 + 2**32, SITES * 2**40, 2**53, -(2**40)],
)
def test_an_identity_outside_the_scheme_is_refused(identity: int) -> None:
    with pytest.raises(IdentityOutOfRange, match=f"got {identity} "):
        code_for(identity)


def test_the_largest_and_smallest_identities_fit() -> None:
    for identity in (0, 2**32 - 1, (SITES - 1) * 2**40, (SITES - 1) * 2**40 + 2**32 - 1):
        assert identity_of(code_for(identity)) == identity


@given(IDENTITIES, st.data())
def test_codes_typed_by_hand_are_read(identity: int, data: st.DataObject) -> None:
    code = code_for(identity)
    lookalikes = {"0": "0Oo", "1": "1IiLl"}
    typed = "".join(
        data.draw(st.sampled_from(lookalikes.get(character, character + character.lower())))
        + data.draw(st.sampled_from(["", " ", "-", "\t"]))
        for character in code
    )
    assert normalise(typed) == code
    assert identity_of(typed) == identity


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("", "expected a code of 10 characters, got 0 in ''.*type it again"),
        (SAMPLE[0][:-1], "got 9 in .*type it again"),
        (SAMPLE[0] + "0", "got 11 in .*type it again"),
        ("U" + SAMPLE[0][1:], "without U, got 'U' in .*look at that character"),
        ("Ä" + SAMPLE[0][1:], "got 'Ä' in .*look at that character"),
        ("٣" + SAMPLE[0][1:], "look at that character"),
        ("0000000000", "check character of '0000000000' does not fit.*compare it with the label"),
        ("x" * 5_000, "got 5000 in"),
    ],
)
def test_what_is_no_code_is_refused_with_the_remedy(text: str, message: str) -> None:
    with pytest.raises(NotACode, match=message) as refusal:
        normalise(text)
    assert len(str(refusal.value)) < 200
    with pytest.raises(NotACode):
        identity_of(text)
