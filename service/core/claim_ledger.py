"""Claims of recycled plastic: each gram and each container carries at most one that is alive.

A claim names containers and grams in them, and debits its owner's account (``claim_account``). What comes back
unopened is free again: its grams for anyone, its container as soon as nothing in it is claimed. What comes back opened
is claimed no longer and free for nobody. A claim that is withdrawn while the plastic is with the customer frees
nothing: its containers may be claimed anew, by the same owner for the same holder, and then need no grams again.

Here: what may be issued, and what returning and withdrawing leave. Not here: certificates, who may release, whether a
container was shipped. A claim that is possible here may still be forbidden: law and the responsible person decide.

A ledger is a value: issuing, returning and withdrawing give a new one, and refusals leave the old as it was. All
reasons for a refusal are given at once.

Times are microseconds since 1970-01-01T00:00Z, masses whole grams.

Source : one live claim for a container, return and re-issue: common practice, no source.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from enum import StrEnum

from service.core.claim_account import Account, Balances, Entry, Side, balances_of
from service.core.quantities import kg_text

__all__ = ["BadReturn", "Claim", "ClaimLine", "ClaimRefused", "Ledger", "Line", "Reason", "Refusal"]


class Reason(StrEnum):
    """Why a claim is not issued; a closed list."""

    NOT_THE_OWNER = "not-the-owner"
    NUMBER_USED = "number-used"
    NOTHING_CLAIMED = "nothing-claimed"
    NO_MASS = "no-mass"
    NAMED_TWICE = "named-twice"
    CONTAINER_CLAIMED = "container-claimed"
    CONTAINER_WITH_ANOTHER = "container-with-another"
    NOT_ENOUGH_AVAILABLE = "not-enough-available"


@dataclass(frozen=True, slots=True)
class Line:
    """Grams claimed in one container; a tank truck is one, too."""

    container: int
    mass_g: int


@dataclass(frozen=True, slots=True)
class Claim:
    """A claim to be issued.

    Parameters
    ----------
    claimant : partner who claims
    holder : partner the claim is made out to
    effective_us : from when on it holds
    """

    number: int
    account: Account
    claimant: int
    holder: int
    effective_us: int
    lines: tuple[Line, ...]

    @property
    def mass_g(self) -> int:
        return sum(line.mass_g for line in self.lines)


@dataclass(frozen=True, slots=True)
class ClaimLine:
    """What stands of one container in a claim that was issued.

    Parameters
    ----------
    left_g : grams still claimed
    last_us : latest moment at which it changed
    ended_us : when nothing of it was claimed any longer; None while it is alive
    withdrawn_g : grams that were alive when the claim was withdrawn and are with the holder still
    """

    claim: int
    container: int
    account: Account
    holder: int
    from_us: int
    left_g: int
    last_us: int
    ended_us: int | None = None
    withdrawn_g: int = 0


@dataclass(frozen=True, slots=True)
class Refusal:
    """One reason for which a claim is not issued.

    Parameters
    ----------
    container : the container concerned, `claim` the claim that stands in the way; None where it is not about one
    available_g : grams that could be claimed, where it is about mass
    """

    reason: Reason
    text: str
    container: int | None = None
    claim: int | None = None
    available_g: int | None = None


class ClaimRefused(ValueError):
    """The claim cannot be issued; nothing was changed.

    Parameters
    ----------
    refusals : all the reasons
    """

    def __init__(self, refusals: Sequence[Refusal]) -> None:
        self.refusals = tuple(refusals)
        super().__init__("; ".join(refusal.text for refusal in refusals))


class BadReturn(ValueError):
    """More comes back, or is withdrawn, than the claim has in that container; nothing was changed."""


@dataclass(frozen=True, slots=True)
class Ledger:
    """All entries and claim lines of a site; begin with an empty one."""

    entries: tuple[Entry, ...] = ()
    lines: tuple[ClaimLine, ...] = ()

    def posted(self, entry: Entry) -> "Ledger":
        """With an entry that no claim makes: claimable output released, or a correction of it, which may be a debit."""
        return replace(self, entries=(*self.entries, entry))

    def balances(self, account: Account) -> Balances:
        """Running balance of one account."""
        return balances_of(entry for entry in self.entries if entry.account == account)

    def claimed_g(self, claim: int) -> int:
        """Grams a claim still claims."""
        return sum(line.left_g for line in self.lines if line.claim == claim)

    def refusals(self, claim: Claim) -> tuple[Refusal, ...]:
        """Every reason against a claim; empty if it can be issued."""
        found = list(self._faults(claim))
        taken_over = 0
        for line in claim.lines:
            taken_over += min(self._withdrawn_g(claim, line.container), line.mass_g)
            for standing in self.lines:
                if standing.container == line.container:
                    found += _in_the_way(claim, standing)
        available = self.balances(claim.account).available_at(claim.effective_us)
        needed = claim.mass_g - taken_over
        if needed > available:
            text = f"{kg_text(needed)} kg are claimed, {kg_text(available)} kg are available from then on: claim less"
            found.append(Refusal(Reason.NOT_ENOUGH_AVAILABLE, text, available_g=available))
        return tuple(found)

    def issued(self, claim: Claim) -> "Ledger":
        """With a claim issued.

        Raises
        ------
        ClaimRefused
            With all reasons, as ``refusals`` gives them.
        """
        refusals = self.refusals(claim)
        if refusals:
            raise ClaimRefused(refusals)
        ledger = self
        for line in claim.lines:
            ledger = ledger._with_line(claim, line)
        return ledger

    def returned(self, claim: int, container: int, mass_g: int, effective_us: int, *, is_unopened: bool) -> "Ledger":
        """With grams of a container that came back from a claim, alive or withdrawn, or never left.

        Parameters
        ----------
        is_unopened : only then are they free again; what was opened may have become anything

        Raises
        ------
        BadReturn
            If the claim has not so much in that container, or it came back before it was claimed or withdrawn.
        """
        place, line = self._standing(claim, container, effective_us)
        is_alive = line.ended_us is None
        standing_g = line.left_g if is_alive else line.withdrawn_g
        if not 0 < mass_g <= standing_g:
            raise BadReturn(
                f"{kg_text(mass_g)} kg came back of container {container}, in which claim {claim} has "
                f"{kg_text(standing_g)} kg: give what came back of it"
            )
        rest_g, last_us = standing_g - mass_g, max(line.last_us, effective_us)
        if is_alive:
            changed = replace(line, left_g=rest_g, last_us=last_us, ended_us=None if rest_g else last_us)
        else:
            changed = replace(line, withdrawn_g=rest_g)
        ledger = self._with_changed(place, changed)
        return ledger.posted(Entry(line.account, Side.CREDIT, effective_us, mass_g)) if is_unopened else ledger

    def withdrawn(self, claim: int, effective_us: int) -> "Ledger":
        """With a claim ended while its plastic is with the holder: nothing is free but for a new claim of the same.

        What never left, or came back, is ``returned`` instead.

        Raises
        ------
        BadReturn
            If nothing of the claim is alive, or it is withdrawn before it was issued.
        """
        places = [place for place, line in enumerate(self.lines) if line.claim == claim and line.ended_us is None]
        if not places:
            raise BadReturn(f"nothing of claim {claim} is alive: there is nothing to withdraw")
        ledger = self
        for place in places:
            _, line = self._standing(claim, self.lines[place].container, effective_us)
            ended_us = max(line.last_us, effective_us)
            ended = replace(line, left_g=0, last_us=ended_us, ended_us=ended_us, withdrawn_g=line.left_g)
            ledger = ledger._with_changed(place, ended)
        return ledger

    def _faults(self, claim: Claim) -> Sequence[Refusal]:
        """What is wrong with a claim whatever stands in the ledger."""
        found = []
        if claim.claimant != claim.account.owner:
            text = f"partner {claim.claimant} claims what partner {claim.account.owner} owns: only the owner may"
            found.append(Refusal(Reason.NOT_THE_OWNER, text))
        if any(line.claim == claim.number for line in self.lines):
            found.append(Refusal(Reason.NUMBER_USED, f"claim {claim.number} was issued before: give it a new number"))
        if not claim.lines:
            found.append(Refusal(Reason.NOTHING_CLAIMED, "the claim names no container: name those it is for"))
        containers = [line.container for line in claim.lines]
        for line in claim.lines:
            if line.mass_g <= 0:
                text = f"{line.mass_g} g are claimed in container {line.container}: give a mass above zero"
                found.append(Refusal(Reason.NO_MASS, text, line.container))
        for container in sorted({each for each in containers if containers.count(each) > 1}):
            text = f"container {container} is named {containers.count(container)} times: name it once"
            found.append(Refusal(Reason.NAMED_TWICE, text, container))
        return found

    def _withdrawn_g(self, claim: Claim, container: int) -> int:
        """Grams in a container that were withdrawn and that this claim may take over."""
        return sum(line.withdrawn_g for line in self.lines if _takes_over(claim, container, line))

    def _with_line(self, claim: Claim, line: Line) -> "Ledger":
        """A line alive; grams of a withdrawn claim are taken over before any are debited."""
        taken = min(self._withdrawn_g(claim, line.container), line.mass_g)
        rest, lines = taken, []
        for standing in self.lines:
            part = min(standing.withdrawn_g, rest) if _takes_over(claim, line.container, standing) else 0
            rest -= part
            lines.append(replace(standing, withdrawn_g=standing.withdrawn_g - part) if part else standing)
        begins = claim.effective_us
        new = ClaimLine(claim.number, line.container, claim.account, claim.holder, begins, line.mass_g, begins)
        ledger = replace(self, lines=(*lines, new))
        debited = line.mass_g - taken
        if not debited:
            return ledger
        return ledger.posted(Entry(claim.account, Side.DEBIT, claim.effective_us, debited))

    def _standing(self, claim: int, container: int, effective_us: int) -> tuple[int, ClaimLine]:
        """Place and line of what a claim has in a container, alive or withdrawn, at a moment when it has it."""
        for place, line in enumerate(self.lines):
            if (line.claim, line.container) == (claim, container) and (line.ended_us is None or line.withdrawn_g):
                begins = line.from_us if line.ended_us is None else line.ended_us
                if effective_us < begins:
                    raise BadReturn(f"that of claim {claim} in container {container} begins later: give a moment then")
                return place, line
        raise BadReturn(f"claim {claim} has nothing left in container {container}: check both numbers")

    def _with_changed(self, place: int, line: ClaimLine) -> "Ledger":
        return replace(self, lines=(*self.lines[:place], line, *self.lines[place + 1 :]))


def _takes_over(claim: Claim, container: int, line: ClaimLine) -> bool:
    """Whether a claim may take over what an earlier one had in a container when it was withdrawn."""
    is_same = (line.container, line.account, line.holder) == (container, claim.account, claim.holder)
    return is_same and line.ended_us is not None and line.ended_us <= claim.effective_us


def _in_the_way(claim: Claim, standing: ClaimLine) -> Sequence[Refusal]:
    """Why what stands in a container forbids a claim on it, if it does."""
    container = standing.container
    # A claim has no end when it is issued, so it meets every one that is alive then or later.
    if standing.ended_us is None or standing.ended_us > max(claim.effective_us, standing.from_us):
        text = f"container {container} is in claim {standing.claim}: take it out of one of them"
        return [Refusal(Reason.CONTAINER_CLAIMED, text, container, standing.claim)]
    if standing.withdrawn_g and not _takes_over(claim, container, standing):
        text = (
            f"container {container} is with partner {standing.holder}, whose claim {standing.claim} was withdrawn: "
            "claim it for the same holder and account from then on, or book its return"
        )
        return [Refusal(Reason.CONTAINER_WITH_ANOTHER, text, container, standing.claim)]
    return []
