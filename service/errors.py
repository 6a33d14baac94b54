"""What can go wrong in the plant's own terms. No HTTP here: `problems.py` alone maps these to statuses.

    DomainError
      BadRequest        cannot be read at all, or lacks a header it needs
      NotFound          nothing stands under that id, code or number
      Conflict          the request is well formed but collides with what is recorded
        StaleKnowledge  ... with a newer version of the same fact
        KeyReused       ... with another request sent under the same idempotency key
        OnHold          ... with a hold on the lot or on anything it may contain
      Unacceptable      well formed, but a rule of the plant refuses it
      Forbidden         known who you are, and you may not
      Unauthenticated   not known who you are
      StorageBusy       another writer held the database too long; nothing was stored, try again
      JournalBroken     the record does not agree with its journal; never caught

Every error carries its findings: all of one request together, each with the field, what was given and
what to do about it. Nothing is stored when one is raised.
"""

from dataclasses import dataclass, field
from typing import ClassVar


@dataclass(frozen=True)
class Finding:
    """One thing wrong with one field.

    Parameters
    ----------
    pointer : JSON pointer of the field in the request body (``/bales/3/mass_kg``), or '' for the whole.
    detail : what is wrong, with the value that was given.
    remedy : what the person or the program has to do.
    """

    pointer: str
    detail: str
    remedy: str


@dataclass
class DomainError(Exception):
    """Base of all refusals.

    Parameters
    ----------
    code : stable machine-readable word, in kebab case.
    detail : one sentence for a person.
    remedy : what to do now.
    findings : every fault found, field by field.
    """

    code: str
    detail: str
    remedy: str
    findings: tuple[Finding, ...] = ()

    title: ClassVar[str] = "The request was refused"

    def __str__(self) -> str:
        faults = "; ".join(f"{fault.pointer or '/'}: {fault.detail}" for fault in self.findings)
        return f"{self.detail} {faults} {self.remedy}".replace("  ", " ").strip()


class BadRequest(DomainError):
    title = "The request lacks something"


class NotFound(DomainError):
    title = "Not found"


class Conflict(DomainError):
    title = "Collides with what is recorded"


class StaleKnowledge(Conflict):
    title = "Somebody recorded a newer version"


class KeyReused(Conflict):
    title = "Idempotency key used for another request"


class OnHold(Conflict):
    title = "On hold"


class Unacceptable(DomainError):
    title = "A rule of the plant refuses this"


class Forbidden(DomainError):
    title = "Not allowed"


class Unauthenticated(DomainError):
    title = "Not known who you are"


class StorageBusy(DomainError):
    title = "The database is busy"


class JournalBroken(Exception):
    """The stored record contradicts its journal: an alarm, never an answer to a user."""


@dataclass
class Findings:
    """Collects every fault of one request, so that the sender hears of all of them at once."""

    faults: list[Finding] = field(default_factory=list)

    def add(self, pointer: str, detail: str, remedy: str) -> None:
        self.faults.append(Finding(pointer, detail, remedy))

    def __bool__(self) -> bool:
        return bool(self.faults)

    def refuse_if_any(
        self, error: type[DomainError] = Unacceptable, *, code: str, detail: str, remedy: str = ""
    ) -> None:
        """Raise `error` with everything found; do nothing when nothing was found."""
        if self.faults:
            raise error(code, detail, remedy or self.faults[0].remedy, tuple(self.faults))
