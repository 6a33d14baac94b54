"""Accounts of periods: literal cases.

Method: P25 of the plan in tonnes, P10's silo as a process, a run across a boundary by hand.
"""

import pytest

from service.core.mass_balance import Verdict
from service.core.period_balance import (
    BadFlow,
    Dated,
    MaterialAccount,
    OutKind,
    Process,
    SiteAccount,
    StepAccount,
    When,
    material_accounts,
    step_account,
)
from service.core.quantities import percent_half_up


def test_p25_the_year_fails_at_two_percent() -> None:
    """Opening 1,850 / 412 / 236 t; bales in 31,200; out 22,110 + 4,820 + 2,940 + 640; closing 1,630 / 455 / 268."""
    [lots] = material_accounts(
        {"bales": 1_850, "flake": 412, "pellets": 236},
        [
            {
                "bales": MaterialAccount(received_ug=31_200, consumed_ug=31_420),
                "flake": MaterialAccount(produced_ug=22_285, consumed_ug=22_242),
                "pellets": MaterialAccount(produced_ug=22_142, dispatched_ug=22_110),
                "side": MaterialAccount(produced_ug=4_820, dispatched_ug=4_820),
            }
        ],
    )
    wash = StepAccount(
        in_ug=31_420, product_ug=22_285, by_product_ug=4_820, waste_ug=2_940, loss_ug=640, unexplained_ug=735
    )
    extrusion = StepAccount(in_ug=22_242, product_ug=22_142, unexplained_ug=100)
    gate = StepAccount(in_ug=26_930, dispatched_ug=22_110, dispatched_by_product_ug=4_820)
    year = SiteAccount(lots, {"wash": wash, "extrusion": extrusion, "gate": gate}, 31_200)
    assert year.adds_up
    assert (year.opening_ug, year.in_ug, year.closing_ug) == (2_498, 31_200, 1_630 + 455 + 268)
    assert (year.out_ug, year.unlotted_ug, year.unexplained_ug) == (22_110 + 4_820 + 2_940 + 640, 2_940 + 640, 835)
    assert str(percent_half_up(year.unexplained_ug, year.feed_received_ug)) == "2.68"
    assert year.judged(20_000) is Verdict.LOSS_ABOVE_TOLERANCE
    assert year.judged(27_000) is Verdict.CLOSES


def test_p10_the_silo_holds_what_was_charged_and_not_drawn() -> None:
    """Heel 3,200; + 18,000; - 10,000; + 12,000; - 15,000: 8,200 are left, and vanish into no other account."""
    charges = [Dated(3_200, 0, 0), Dated(18_000, 10, 10), Dated(12_000, 30, 30)]
    draws = [(OutKind.PRODUCT, Dated(10_000, 20, 20)), (OutKind.PRODUCT, Dated(15_000, 40, 40))]
    in_use = Process(1, "silo", When.NOT_YET, charges, draws)
    assert [in_use.until(moment).closing_ug for moment in (1, 11, 21, 31, 41)] == [3_200, 21_200, 11_200, 23_200, 8_200]
    emptied = Process(1, "silo", When.AT_END, charges, draws, ended=50)
    account = step_account([emptied], 35, 60)
    assert (account.opening_ug, account.product_ug, account.unexplained_ug, account.closing_ug) == (
        23_200,
        15_000,
        8_200,
        0,
    )
    # Half-open: what was seen at the very boundary belongs to the period that begins with it.
    assert step_account([emptied], 35, 50).unexplained_ug == 0
    assert step_account([emptied], 50, 60).unexplained_ug == 8_200


def test_more_drawn_than_charged_is_a_negative_content_and_in_the_end_a_gain() -> None:
    silo = Process(1, "silo", When.AT_END, [Dated(100, 0, 0)], [(OutKind.PRODUCT, Dated(130, 1, 1))], ended=5)
    assert silo.until(3).closing_ug == -30
    assert silo.until(6).unexplained_ug == -30


def test_a_run_across_a_boundary_is_cut_by_time_and_what_is_missing_as_it_was_fed() -> None:
    """Fed 1,000 over ten hours, three of them before midnight; 900 out at the end and 1 % by estimate."""
    run = Process(1, "wash", When.AS_FED, [Dated(1_000, 0, 10)], [(OutKind.PRODUCT, Dated(900, 10, 10))], [10_000])
    before, after = step_account([run], 0, 3), step_account([run], 3, 11)
    assert (before.in_ug, before.estimated_ug, before.unexplained_ug, before.closing_ug) == (300, 3, 27, 270)
    assert (after.opening_ug, after.in_ug, after.product_ug, after.estimated_ug, after.unexplained_ug) == (
        270, 700, 900, 7, 63,
    )  # fmt: skip
    assert after.closing_ug == 0
    assert before.adds_up
    assert after.adds_up


def test_what_ran_back_in_is_neither_input_nor_output() -> None:
    loop = Dated(50, 2, 2)
    run = Process(
        1, "sorting", When.AS_FED, [Dated(100, 0, 0)], [(OutKind.PRODUCT, Dated(95, 9, 9))],
        looped_out=[loop], looped_in=[Dated(50, 5, 5)],
    )  # fmt: skip
    middle = step_account([run], 0, 4)
    assert (middle.in_ug, middle.looped_out_ug, middle.closing_ug) == (100, 50, 45)
    whole = step_account([run], 0, 10)
    assert (whole.in_ug, whole.unexplained_ug, whole.closing_ug, whole.adds_up) == (100, 5, 0, True)


def test_what_a_loop_does_not_bring_back_stands_in_a_lot_so_nothing_stands_in_the_run() -> None:
    run = Process(
        1, "sorting", When.AS_FED, [Dated(1_000, 0, 10)], [(OutKind.PRODUCT, Dated(980, 10, 10))],
        looped_out=[Dated(100, 2, 2)], looped_in=[Dated(80, 15, 15)],
    )  # fmt: skip
    day, next_day = step_account([run], 0, 12), step_account([run], 12, 24)
    assert (day.unexplained_ug, day.closing_ug) == (0, -80)
    assert (next_day.opening_ug, next_day.unexplained_ug, next_day.closing_ug) == (-80, 0, 0)


@pytest.mark.parametrize(("dry_ug", "start", "end"), [(-1, 0, 1), (1, 1, 0)])
def test_a_flow_that_cannot_be_is_refused(dry_ug: int, start: int, end: int) -> None:
    with pytest.raises(BadFlow):
        Dated(dry_ug, start, end)
