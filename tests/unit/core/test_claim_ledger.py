"""Goal: no gram and no container is claimed twice, at any moment, also after what is booked late.

Method: the plant's acceptance case P22 with its numbers, and literal cases. Random histories are compared with an
oracle in `tests/property/test_claim_laws`.
"""

import pytest

from service.core.claim_account import (
    Account,
    Breach,
    Entry,
    MixedAccounts,
    NotAnEntry,
    Side,
    balances_of,
    breaches_of,
)
from service.core.claim_ledger import BadReturn, Claim, ClaimRefused, Ledger, Line

MILL, TOLL, BUYER, OTHER = 1, 2, 8, 9
OWN = Account(1, MILL, "clear pellets", "EU")
OF_TOLL = Account(1, TOLL, "clear pellets", "EU")
KG = 1_000


def credit(time, kg, account=OWN):
    return Entry(account, Side.CREDIT, time, kg * KG)


def debit(time, kg, account=OWN):
    return Entry(account, Side.DEBIT, time, kg * KG)


def claim(number, time, *lines, account=OWN, claimant=MILL, holder=BUYER):
    return Claim(number, account, claimant, holder, time, tuple(Line(container, kg * KG) for container, kg in lines))


def reasons(refused):
    return [refusal.reason for refusal in refused.value.refusals]


def test_double_claim():
    """P22: 20,000; C1 14,000; C2 8,000 refused, 6,000 available; 3,000 back; 9,000 available; C2 taken; 1,000 left."""
    ledger = Ledger().posted(credit(0, 20_000)).issued(claim(1, 10, (1, 11_000), (2, 3_000)))
    assert ledger.balances(OWN).available_at(20) == 6_000 * KG
    second = claim(2, 20, (3, 8_000))
    with pytest.raises(ClaimRefused, match=r"8000\.000 kg are claimed, 6000\.000 kg are available") as refused:
        ledger.issued(second)
    assert (reasons(refused), refused.value.refusals[0].available_g) == (["not-enough-available"], 6_000 * KG)
    assert ledger.balances(OWN).available_at(20) == 6_000 * KG

    ledger = ledger.returned(1, 2, 3_000 * KG, 30, is_unopened=True)
    assert ledger.claimed_g(1) == 11_000 * KG
    assert ledger.balances(OWN).available_at(30) == 9_000 * KG
    # Not before it came back.
    with pytest.raises(ClaimRefused):
        ledger.issued(second)
    ledger = ledger.issued(claim(2, 40, (2, 3_000), (3, 5_000)))
    assert ledger.balances(OWN).available_at(40) == 1_000 * KG
    assert ledger.balances(OWN).minimum() == 0

    with pytest.raises(ClaimRefused) as refused:
        ledger.issued(claim(3, 50, (1, 1)))
    assert reasons(refused) == ["container-claimed"]
    assert (refused.value.refusals[0].container, refused.value.refusals[0].claim) == (1, 1)


class TestClaims:
    def stocked(self, kg=100):
        return Ledger().posted(credit(0, kg)).posted(credit(0, kg, OF_TOLL))

    def test_only_the_owner(self):
        for account, claimant, is_allowed in ((OF_TOLL, TOLL, True), (OF_TOLL, MILL, False), (OWN, TOLL, False)):
            wanted = claim(1, 5, (1, 10), account=account, claimant=claimant)
            assert [each.reason for each in self.stocked().refusals(wanted)] == [] if is_allowed else ["not-the-owner"]
        with pytest.raises(ClaimRefused, match="partner 1 claims what partner 2 owns"):
            self.stocked().issued(claim(1, 5, (1, 10), account=OF_TOLL, claimant=MILL))

    def test_all_reasons_at_once(self):
        ledger = self.stocked().issued(claim(1, 5, (1, 10)))
        with pytest.raises(ClaimRefused) as refused:
            ledger.issued(claim(1, 6, (1, 500), (2, 0), (2, 1), claimant=OTHER))
        assert sorted(reasons(refused)) == [
            "container-claimed", "named-twice", "no-mass", "not-enough-available", "not-the-owner", "number-used",
        ]  # fmt: skip
        with pytest.raises(ClaimRefused, match="names no container"):
            ledger.issued(claim(2, 6))

    def test_a_container_half_returned_is_still_claimed(self):
        ledger = self.stocked().issued(claim(1, 5, (1, 10))).returned(1, 1, 9 * KG, 6, is_unopened=True)
        assert [each.reason for each in ledger.refusals(claim(2, 7, (1, 1)))] == ["container-claimed"]
        assert ledger.returned(1, 1, 1 * KG, 7, is_unopened=True).refusals(claim(2, 7, (1, 1))) == ()

    def test_a_container_free_now_was_not_free_then(self):
        """Booked late: at 6 it was still in claim 1, which ended at 8."""
        ledger = self.stocked().issued(claim(1, 5, (1, 10))).returned(1, 1, 10 * KG, 8, is_unopened=True)
        assert [each.reason for each in ledger.refusals(claim(2, 6, (1, 1)))] == ["container-claimed"]
        assert [each.reason for each in ledger.refusals(claim(2, 4, (1, 1)))] == ["container-claimed"]
        assert ledger.refusals(claim(2, 8, (1, 1))) == ()

    def test_a_claim_that_came_back_at_once_was_never_in_the_way(self):
        ledger = self.stocked().issued(claim(1, 5, (1, 10))).returned(1, 1, 10 * KG, 5, is_unopened=True)
        assert ledger.refusals(claim(2, 4, (1, 1))) == ()

    def test_returns_booked_in_the_wrong_order_end_the_claim_with_the_later(self):
        ledger = self.stocked().issued(claim(1, 5, (1, 10))).returned(1, 1, 4 * KG, 9, is_unopened=True)
        ledger = ledger.returned(1, 1, 6 * KG, 7, is_unopened=True)
        assert [each.reason for each in ledger.refusals(claim(2, 8, (1, 1)))] == ["container-claimed"]
        assert ledger.refusals(claim(2, 9, (1, 1))) == ()

    def test_what_was_opened_is_claimed_no_longer_and_free_for_nobody(self):
        ledger = self.stocked().issued(claim(1, 5, (1, 10))).returned(1, 1, 10 * KG, 6, is_unopened=False)
        assert ledger.claimed_g(1) == 0
        assert ledger.balances(OWN).available_at(7) == 90 * KG

    def test_withdrawn_while_with_the_holder(self):
        ledger = self.stocked().issued(claim(1, 5, (1, 60))).withdrawn(1, 6)
        assert (ledger.claimed_g(1), ledger.balances(OWN).available_at(7)) == (0, 40 * KG)
        # For the same holder without new grams, as far as they go; for no other.
        again = ledger.issued(claim(2, 7, (1, 70)))
        assert (again.claimed_g(2), again.balances(OWN).available_at(7)) == (70 * KG, 30 * KG)
        with pytest.raises(ClaimRefused, match="is with partner 8, whose claim 1 was withdrawn"):
            ledger.issued(claim(2, 7, (1, 10), holder=OTHER))
        with pytest.raises(ClaimRefused, match="is in claim 1"):
            ledger.issued(claim(2, 5, (1, 10)))

    def test_taken_over_once(self):
        ledger = self.stocked().issued(claim(1, 5, (1, 60))).withdrawn(1, 6).issued(claim(2, 7, (1, 60)))
        ledger = ledger.returned(2, 1, 60 * KG, 8, is_unopened=True)
        assert ledger.balances(OWN).available_at(8) == 100 * KG
        assert ledger.issued(claim(3, 9, (1, 60))).balances(OWN).available_at(9) == 40 * KG
        with pytest.raises(BadReturn, match="nothing left"):
            ledger.returned(1, 1, 1, 9, is_unopened=True)

    def test_withdrawn_and_then_returned(self):
        ledger = (
            self.stocked().issued(claim(1, 5, (1, 60))).withdrawn(1, 6).returned(1, 1, 60 * KG, 7, is_unopened=True)
        )
        assert ledger.balances(OWN).available_at(7) == 100 * KG
        assert ledger.refusals(claim(2, 8, (1, 10), holder=OTHER)) == ()

    @pytest.mark.parametrize(
        ("kg", "time", "container", "says"),
        [
            (11, 6, 1, r"11\.000 kg came back of container 1, in which claim 1 has 10\.000"),
            (0, 6, 1, "give what came back"),
            (-1, 6, 1, "give what came back"),
            (5, 4, 1, "begins later"),
            (5, 6, 2, "nothing left in container 2"),
        ],
    )
    def test_bad_returns(self, kg, time, container, says):
        ledger = self.stocked().issued(claim(1, 5, (1, 10)))
        with pytest.raises(BadReturn, match=says):
            ledger.returned(1, container, kg * KG, time, is_unopened=True)

    def test_bad_withdrawals(self):
        ledger = self.stocked().issued(claim(1, 5, (1, 10)))
        with pytest.raises(BadReturn, match="begins later"):
            ledger.withdrawn(1, 4)
        with pytest.raises(BadReturn, match="nothing of claim 1 is alive"):
            ledger.withdrawn(1, 6).withdrawn(1, 7)


class TestAccount:
    def test_a_claim_needs_cover_from_its_moment_on(self):
        """15 of 20 are due at 30: at 10 there are 20 and 5 are available, and before the credit nothing is."""
        balances = balances_of([debit(30, 15), credit(5, 20)])
        assert [balances.at(time) // KG for time in (4, 5, 29, 30)] == [0, 20, 20, 5]
        assert [balances.available_at(time) // KG for time in (4, 10, 30)] == [0, 5, 5]

    def test_entries_of_one_instant_count_together(self):
        assert balances_of([debit(5, 10), credit(5, 10)]).breaches() == ()

    def test_a_posting_back_in_time_shows_what_it_breaks(self):
        """A lot turns out 4 lighter at its beginning: short from the claim until the next lot, and no later."""
        stood = [credit(0, 20), debit(10, 18), credit(20, 20), debit(30, 3)]
        assert breaches_of(stood, [debit(0, 4)]) == (Breach(10, 20, 2 * KG),)
        assert breaches_of(stood, [debit(0, 2)]) == ()
        assert breaches_of(stood, [debit(0, 40)]) == (Breach(0, None, 38 * KG),)

    def test_only_breaches_that_the_posting_makes_or_deepens(self):
        stood = [debit(10, 5), credit(20, 5), credit(40, 1)]
        assert balances_of(stood).breaches() == (Breach(10, 20, 5 * KG),)
        assert breaches_of(stood, [debit(50, 1)]) == ()
        assert breaches_of(stood, [debit(30, 1)]) == (Breach(30, 40, 1 * KG),)
        assert breaches_of(stood, [debit(15, 1), credit(20, 1)]) == (Breach(10, 20, 6 * KG),)

    def test_empty(self):
        nothing = balances_of([])
        assert (nothing.at(5), nothing.minimum(), nothing.available_at(5), nothing.breaches()) == (0, 0, 0, ())

    def test_refusals(self):
        for mass in (0, -5):
            with pytest.raises(NotAnEntry, match="above zero"):
                Entry(OWN, Side.CREDIT, 0, mass)
        with pytest.raises(MixedAccounts, match="2 accounts"):
            balances_of([credit(0, 1), credit(0, 1, OF_TOLL)])
