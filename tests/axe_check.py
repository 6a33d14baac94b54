"""Accessibility rules run inside the page: axe-core with the WCAG 2.0 to 2.2 rules of levels A and AA.

Source: WCAG 2.2 (W3C Recommendation); the rules are those of axe-core, an independent party.
"""

from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import Page

RULES = {"runOnly": {"type": "tag", "values": ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa"]}}


def violations(page: Page) -> list[str]:
    """What axe finds wrong, one line each: the rule and the first element it names."""
    found = Axe().run(page, options=RULES).response["violations"]
    return [f"{fault['id']}: {fault['nodes'][0]['html'][:200]}" for fault in found]
