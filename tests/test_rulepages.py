"""The page of rules says what the rule files say."""

from pathlib import Path

from fdm.rulebook import load_rule_book
from fdm.rulepages import page

BOOK = load_rule_book()


def test_the_page_beside_the_rules_is_up_to_date():
    kept = (Path(BOOK.folder) / "RULES.md").read_text()
    assert kept == page(BOOK) + "\n", "run: python -m fdm.rulepages > rules/RULES.md"


def test_every_rule_has_its_section_with_what_it_cannot_see():
    text = page(BOOK)
    for rule in BOOK.rules.values():
        assert f'<a id="{rule.name}">' in text
        assert rule.misses.strip() in text
