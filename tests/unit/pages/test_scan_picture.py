"""Goal: a picture is read as what it is, in words, and nobody can keep the server busy with pictures.

Method: the functions behind the addresses with texts and clocks made by hand; what needs a database, a log-in or
a real picture is in tests/feature/test_scan_pages.py.
"""

from __future__ import annotations

import pytest

from service.pages.scan_picture import TEXT_SHOWN, Allowance, Reading, codes_in, reading_of, shortened

URL = "HTTPS://TRACE.EXAMPLE.COM/L/Q2ZTMZMYEJ"
OTHER = "https://trace.example.com/l/4t2e1yye36"


@pytest.mark.parametrize(
    ("texts", "reading"),
    [
        ([], Reading(None)),
        ([URL], Reading("Q2ZTMZMYEJ")),
        (["Q2ZTM ZMYEJ"], Reading("Q2ZTMZMYEJ")),
        # Both codes of one tag, and a foreign code on the film beside it, are still one label.
        ([URL, "q2ztmzmyej", "WIFI:S:yard;;"], Reading("Q2ZTMZMYEJ")),
        ([URL, OTHER], Reading(None, "More than one label is in the picture. Bring one closer.")),
        (["WIFI:S:yard;;"], Reading(None, "This code is not a label of this plant: WIFI:S:yard;;")),
        # One character wrong: the check character says so.
        (
            ["HTTPS://TRACE.EXAMPLE.COM/L/Q2ZTMZMYEX"],
            Reading(None, "This code is not a label of this plant: HTTPS://TRACE.EXAMPLE.COM/L/Q2ZTMZMYEX"),
        ),
    ],
)
def test_what_a_picture_says(texts: list[str], reading: Reading):
    assert reading_of(texts) == reading


def test_several_labels_are_listed_once_each():
    assert codes_in([URL, OTHER, URL, "tel:112"]) == ["Q2ZTMZMYEJ", "4T2E1YYE36"]


def test_a_foreign_text_is_one_short_line_that_turns_nothing_round():
    hostile = "<script>alert(1)</script>\n\u202egnol yrev\u0000" + "x" * 5_000
    shown = shortened(hostile)
    assert len(shown) == TEXT_SHOWN + 1
    assert shown.isprintable()
    assert shown.startswith("<script>alert(1)</script> gnol yrev")


class Clock:
    def __init__(self) -> None:
        self.now = 100.0

    def __call__(self) -> float:
        return self.now


def test_six_pictures_a_second_and_not_one_more():
    clock = Clock()
    allowance = Allowance(6.0, clock)
    assert [allowance.wait_s("phone") for _ in range(6)] == [0.0] * 6
    assert allowance.wait_s("phone") == pytest.approx(1 / 6)
    assert allowance.wait_s("other phone") == 0.0, "each log-in has its own"

    # Being refused costs nothing: who comes again when told to is let in.
    clock.now += 1 / 6
    assert allowance.wait_s("phone") == 0.0
    assert allowance.wait_s("phone") > 0

    # However long nobody came, no more than one second's worth has gathered.
    clock.now += 3600
    assert [allowance.wait_s("phone") for _ in range(7)][:6] == [0.0] * 6
    assert allowance.wait_s("phone") > 0


def test_a_steady_three_a_second_is_never_refused():
    clock = Clock()
    allowance = Allowance(6.0, clock)
    for _ in range(100):
        assert allowance.wait_s("phone") == 0.0
        clock.now += 0.33


def test_a_rate_below_one_a_second_still_lets_the_first_in():
    clock = Clock()
    allowance = Allowance(0.5, clock)
    assert allowance.wait_s("phone") == 0.0
    assert allowance.wait_s("phone") == pytest.approx(2.0)
    clock.now += 2
    assert allowance.wait_s("phone") == 0.0


def test_log_ins_of_the_past_are_forgotten():
    clock = Clock()
    allowance = Allowance(6.0, clock)
    for number in range(3_000):
        allowance.wait_s(f"log-in {number}")
        clock.now += 0.01
    assert len(allowance._buckets) <= 1_001
    # What is forgotten was full: forgetting lets nobody take more.
    assert [allowance.wait_s("log-in 0") for _ in range(6)] == [0.0] * 6
    assert allowance.wait_s("log-in 0") > 0
