"""Answers of earlier events by the name the event gave them, and the references of later events into them.

A reference is a text such as ``$truck3.id``, ``$truck3.bales[0].code`` or ``$wash2.lots[1]``. The identities
in an answer are the database's own: nothing in the seed data knows a code or a number.
"""

import json
import re
from dataclasses import dataclass, field
from typing import Any

from service.errors import BadRequest

REFERENCE = re.compile(r"\$(?P<name>[a-z][a-z0-9_]*)(?P<path>(\.[a-z_]+|\[[0-9]+\])*)")
STEP = re.compile(r"\.(?P<key>[a-z_]+)|\[(?P<place>[0-9]+)\]")


@dataclass
class Answers:
    """What earlier events answered, as JSON, by name; a name used again means the later answer."""

    named: dict[str, Any] = field(default_factory=dict)

    def keep(self, name: str, body: bytes) -> None:
        """Keep an answer. A run's also gets ``outs``, its outgoing lines, and ``lots``, their lots' codes in order."""
        answer = json.loads(body)
        if "lines" in answer:
            answer["outs"] = [line for line in answer["lines"] if line["direction"] == "out"]
            answer["lots"] = list(dict.fromkeys(line["lot"] for line in answer["outs"] if line["lot"]))
        self.named[name] = answer

    def resolved(self, value: Any) -> Any:
        """The same JSON with every reference replaced by what it points at."""
        match value:
            case dict():
                return {key: self.resolved(part) for key, part in value.items()}
            case list():
                return [self.resolved(part) for part in value]
            case str() if value.startswith("$"):
                return self.found(value)
            case _:
                return value

    def found(self, reference: str) -> Any:
        """What one reference points at.

        Raises
        ------
        BadRequest : it is no reference, or nothing stands there.
        """
        parts = REFERENCE.fullmatch(reference)
        if parts is None or parts["name"] not in self.named:
            raise _unresolved(reference)
        value = self.named[parts["name"]]
        for step in STEP.finditer(parts["path"]):
            try:
                value = value[step["key"]] if step["key"] else value[int(step["place"])]
            except (KeyError, IndexError, TypeError) as fault:
                raise _unresolved(reference) from fault
        return value


def _unresolved(reference: str) -> BadRequest:
    return BadRequest(
        "seed-reference-unresolved",
        f"The demo's reference {reference!r} points at nothing that an earlier event answered.",
        "Correct the reference, or the 'as' of the event it means.",
    )
