"""Laws of claims and their accounts, on random postings and histories.

Goal: balances, what is available, breaches and every decision about a claim are right at every moment, whatever the
order in which things are booked. Method: an oracle that keeps a list of what was done and adds up everything anew for
every single moment of a short time; it shares no line with the code.
"""

from dataclasses import dataclass, field

from hypothesis import example, given, settings
from hypothesis import strategies as st

from service.core.claim_account import Account, Entry, Side, balances_of, breaches_of
from service.core.claim_ledger import BadReturn, Claim, Ledger, Line

MILL, TOLL, BUYER, OTHER = 1, 2, 8, 9
OWN = Account(1, MILL, "clear pellets", "EU")
TIMES = range(13)
postings = st.lists(
    st.tuples(st.sampled_from(Side), st.integers(0, 11), st.integers(1, 20)).map(
        lambda drawn: Entry(OWN, drawn[0], drawn[1], drawn[2])
    ),
    max_size=8,
)


@settings(max_examples=150, deadline=None)
@given(postings, postings)
@example([], [])
def test_balances_are_those_added_up_for_every_moment(before, posted):
    def at(entries, time):
        return sum(
            entry.mass_g if entry.side is Side.CREDIT else -entry.mass_g
            for entry in entries
            if entry.effective_us <= time
        )

    found = balances_of(before)
    for time in TIMES:
        assert found.at(time) == at(before, time)
        assert found.available_at(time) == max(min(at(before, later) for later in TIMES if later >= time), 0)
    assert found.minimum() == min(0, *(at(before, time) for time in TIMES))
    broken = [time for time in TIMES if at(before, time) < 0]
    covered = {time for breach in found.breaches() for time in TIMES if breach.from_us <= time < (breach.to_us or 99)}
    assert sorted(covered) == broken
    for breach in found.breaches():
        inside = [time for time in TIMES if breach.from_us <= time < (breach.to_us or 99)]
        assert breach.short_g == max(-at(before, time) for time in inside)
    both = [*before, *posted]
    worse = {time for time in TIMES if at(both, time) < min(at(before, time), 0)}
    listed = {
        time
        for breach in breaches_of(before, posted)
        for time in TIMES
        if breach.from_us <= time < (breach.to_us or 99)
    }
    assert worse <= listed
    assert all(at(both, time) < 0 for time in listed)


@dataclass
class Oracle:
    """What was done, and everything else asked of it moment by moment."""

    alive: dict[tuple[int, int], list[tuple[int, int]]] = field(default_factory=dict)  # claim, container: time, grams
    grams: dict[Account, list[tuple[int, int]]] = field(default_factory=dict)
    issued: dict[int, Claim] = field(default_factory=dict)
    withdrawn: dict[tuple[int, int], int] = field(default_factory=dict)

    def left(self, key, time=99):
        return sum(grams for when, grams in self.alive[key] if when <= time)

    def last(self, key):
        return max(when for when, _ in self.alive[key])

    def balance(self, account, time):
        return sum(grams for when, grams in self.grams.get(account, []) if when <= time)

    def taken(self, wanted, line):
        return {
            key: grams
            for key, grams in self.withdrawn.items()
            if grams and key[1] == line.container
            and (self.issued[key[0]].account, self.issued[key[0]].holder) == (wanted.account, wanted.holder)
            and self.last(key) <= wanted.effective_us
        }  # fmt: skip

    def may(self, wanted):
        later = [time for time in TIMES if time >= wanted.effective_us]
        needed = 0
        for line in wanted.lines:
            for key in self.alive:
                if key[1] == line.container and any(self.left(key, time) > 0 for time in later):
                    return False
                if key[1] == line.container and self.withdrawn.get(key) and key not in self.taken(wanted, line):
                    return False
            needed += line.mass_g - min(line.mass_g, sum(self.taken(wanted, line).values()))
        covered = all(self.balance(wanted.account, time) >= needed for time in later) or needed == 0
        return covered and wanted.claimant == wanted.account.owner

    def issue(self, wanted):
        for line in wanted.lines:
            rest = line.mass_g
            for key, grams in self.taken(wanted, line).items():
                self.withdrawn[key] -= min(grams, rest)
                rest -= min(grams, rest)
            self.grams.setdefault(wanted.account, []).append((wanted.effective_us, -rest))
            self.alive[wanted.number, line.container] = [(wanted.effective_us, line.mass_g)]
        self.issued[wanted.number] = wanted


steps = st.lists(
    st.tuples(
        st.sampled_from(["issue", "issue", "return", "opened", "withdraw"]),
        st.integers(0, 12),
        st.sampled_from([1, 2, 3]),
        st.integers(1, 12),
        st.sampled_from([BUYER, BUYER, OTHER]),
        st.sampled_from([MILL, MILL, MILL, TOLL]),
    ),
    max_size=14,
)


@settings(max_examples=200, deadline=None)
@given(steps, st.lists(st.tuples(st.integers(0, 12), st.integers(1, 15)), max_size=3))
def test_random_histories_of_claims(steps, credits):
    ledger, oracle = Ledger(), Oracle()
    for time, mass in credits:
        ledger = ledger.posted(Entry(OWN, Side.CREDIT, time, mass))
        oracle.grams.setdefault(OWN, []).append((time, mass))
    for number, (kind, time, container, mass, holder, claimant) in enumerate(steps):
        if kind == "issue":
            wanted = Claim(number, OWN, claimant, holder, time, (Line(container, mass),))
            assert bool(ledger.refusals(wanted)) is not oracle.may(wanted)
            if oracle.may(wanted):
                ledger = ledger.issued(wanted)
                oracle.issue(wanted)
            continue
        keys = [key for key in oracle.alive if key[1] == container and (oracle.left(key) or oracle.withdrawn.get(key))]
        for key in keys[:1]:
            is_alive = oracle.left(key) > 0
            begins = oracle.alive[key][0][0] if is_alive else oracle.last(key)
            standing = oracle.left(key) if is_alive else oracle.withdrawn[key]
            is_possible = time >= begins and (is_alive if kind == "withdraw" else mass <= standing)
            try:
                if kind == "withdraw":
                    ledger = ledger.withdrawn(key[0], time)
                else:
                    ledger = ledger.returned(*key, mass, time, is_unopened=kind == "return")
            except BadReturn:
                assert not is_possible
                continue
            assert is_possible
            if kind == "withdraw":
                oracle.withdrawn[key] = standing
                oracle.alive[key].append((max(time, oracle.last(key)), -standing))
            else:
                if is_alive:
                    # A return booked before a later one empties the container no earlier than that.
                    oracle.alive[key].append((time, -mass))
                else:
                    oracle.withdrawn[key] -= mass
                if kind == "return":
                    oracle.grams[OWN].append((time, mass))
    for time in TIMES:
        assert ledger.balances(OWN).at(time) == oracle.balance(OWN, time) >= 0
        for container in (1, 2, 3):
            alive = [key for key in oracle.alive if key[1] == container and oracle.left(key, time) > 0]
            assert len(alive) <= 1
    for number in oracle.issued:
        assert ledger.claimed_g(number) == sum(oracle.left(key) for key in oracle.alive if key[0] == number)
