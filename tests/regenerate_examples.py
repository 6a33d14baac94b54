"""Play the story of openapi_examples/ again and write what is answered now into its files.

    python tests/regenerate_examples.py

Run it by hand after a change of an answer that is meant, and read the difference before it is committed.
Where numbers or codes of things came out otherwise than before, requests that name them are changed too.
"""

import json
import re
import sys
import tempfile
from collections.abc import Mapping
from pathlib import Path
from typing import Any

TESTS = Path(__file__).resolve().parent
sys.path[:0] = [str(TESTS), str(TESTS.parent)]

from story import Story  # noqa: E402

from service.core.codes import NotACode, normalise  # noqa: E402
from service.db import Database, bundled, migrate  # noqa: E402
from service.examples import FOLDER, Example  # noqa: E402
from service.journal.tables import SITE_STEP  # noqa: E402


def main() -> None:
    with tempfile.TemporaryDirectory() as folder:
        url = f"sqlite:///{folder}/story.sqlite3"
        migrate(url)
        database = Database(url)
        changed = rewrite(Story(database), sorted(bundled(FOLDER).glob("*.json")))
        database.close()
    print(f"{changed} files changed")


def rewrite(story: Story, files: list[Path]) -> int:
    """Send every request and store the answer; the number of files that are different now."""
    renamed: dict[str, str] = {}
    changed = 0
    for file in files:
        before = file.read_text(encoding="utf-8")
        written = json.loads(before)
        written["request"] = with_new_names(written["request"], renamed)
        answer = story.send(file.stem, Example.model_validate(written))
        response = answer.model_dump(exclude_defaults=True)
        if answer.status != written["response"]["status"]:
            raise SystemExit(f"{file.name}: answered {answer.status} now: {answer.body}\nThe rest was not played.")
        # The first place a name stands in is where it was given; later ones may be lists in another order.
        renamed = names_changed(written["response"], response) | renamed
        written["response"] = response
        after = json.dumps(written, indent=2, ensure_ascii=False) + "\n"
        if after != before:
            file.write_text(after, encoding="utf-8")
            changed += 1
            print(f"{file.name}: {answer.status}")
    return changed


def with_new_names(request: Any, renamed: Mapping[str, str]) -> Any:
    """The request with every number and code exchanged that the story gave a new one."""
    if not renamed:
        return request
    names = re.compile(r"(?<![0-9A-Z])(" + "|".join(map(re.escape, renamed)) + r")(?![0-9A-Z])")
    return json.loads(names.sub(lambda found: renamed[found[0]], json.dumps(request)))


def names_changed(before: Any, after: Any) -> dict[str, str]:
    """Numbers and codes that stand in the same place of two answers and differ; a place may be new in one of them."""
    if isinstance(before, dict) and isinstance(after, dict):
        pairs = [(before[key], after[key]) for key in before if key in after]
    elif isinstance(before, list) and isinstance(after, list):
        pairs = list(zip(before, after, strict=False))
    else:
        return {str(before): str(after)} if before != after and is_name(before) and is_name(after) else {}
    found: dict[str, str] = {}
    for old, new in pairs:
        found = names_changed(old, new) | found
    return found


def is_name(value: Any) -> bool:
    """Whether this is the number of something of a site, or the code of a lot."""
    if isinstance(value, int) and not isinstance(value, bool):
        return value >= SITE_STEP
    try:
        return isinstance(value, str) and normalise(value) == value
    except NotACode:
        return False


if __name__ == "__main__":
    main()
