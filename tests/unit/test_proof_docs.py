"""docs/how-we-prove.md tells every code, rule and dialect trait that there is.

Run as a script with --write, this file puts the tables of codes and rules into the page.
"""

from __future__ import annotations

import re
import sys
from dataclasses import fields
from pathlib import Path

from newel.core.dialect import ReadTraits
from newel.program.rules import IN_WORDS, RULES
from newel.proof.codes import CODES

PAGE = Path(__file__).resolve().parents[2] / "docs" / "how-we-prove.md"
BEGIN, END = "<!-- codes: begin -->", "<!-- codes: end -->"


def tables() -> str:
    """Return the tables of the proof's codes and of the language's rules."""
    rows = ["The proof's own:", "", "| code | weighs | rule |", "|---|---|---|"]
    rows += [f"| `{code}` | {severity.value} | {rule} |" for code, (severity, rule) in CODES.items()]
    rows += ["", "The language's (sections of NISTIR 6556; none where the report is silent):", ""]
    rows += ["| code | weighs | section | rule |", "|---|---|---|---|"]
    rows += [f"| `{code}` | {severity.value} | {section} | {IN_WORDS[code]} |" for code, (section, severity) in RULES.items()]
    return "\n".join(rows)


def test_every_rule_is_told_in_words():
    assert list(IN_WORDS) == list(RULES)


def test_no_code_is_both_the_proof_s_and_the_language_s():
    assert set(CODES).isdisjoint(RULES)


def test_the_page_has_every_code_and_rule_as_they_are():
    page = PAGE.read_text(encoding="utf-8")
    written = page.split(BEGIN)[1].split(END)[0].strip()
    assert written == tables(), "run: python tests/unit/test_proof_docs.py --write"


def test_the_page_has_every_trait_and_says_how_it_is_shipped():
    page = PAGE.read_text(encoding="utf-8").split("## The dialect")[1].split("\n## ")[0]
    told = dict(re.findall(r"^\| `(\w+)` \| ([^|]+) \| [^|]+\|[^|]*\|$", page, re.MULTILINE))
    assert list(told) == [field.name for field in fields(ReadTraits)]
    for field in fields(ReadTraits):
        shipped = field.default
        said = {True: "on", False: "off"}[shipped] if isinstance(shipped, bool) else f"{shipped:,}".replace(",", " ")
        assert told[field.name] == said, field.name


def test_the_page_tells_of_faults_planted_and_none_missed():
    page = PAGE.read_text(encoding="utf-8")
    planted, harmful, told = re.search(
        r"^\| \*\*all\*\* \| (\d+) \| (\d+ \| \d+) \| (\d+) \(100 %\)", page, re.MULTILINE
    ).groups()
    assert int(planted) >= 300
    assert sum(int(n) for n in harmful.split("|")) == int(told)


if __name__ == "__main__" and "--write" in sys.argv:
    text = PAGE.read_text(encoding="utf-8")
    before, rest = text.split(BEGIN)
    PAGE.write_text(f"{before}{BEGIN}\n{tables()}\n{END}{rest.split(END)[1]}", encoding="utf-8")
