"""Lengths of the sentences in README and the pages: `python docs/sentences.py` prints them."""

from __future__ import annotations

import re
import sys
from pathlib import Path

ROOT = Path(__file__).parents[1]
WRITTEN = (
    "README.md",
    "CONTRIBUTING.md",
    "CODE_OF_CONDUCT.md",
    "docs/*.md",
    "docs/how-to/*.md",
    "docs/explain/*.md",
)
LINK = re.compile(r"!?\[([^\]]*)\]\([^)]*\)")
ITEM = re.compile(r"^\s*(?:[-*]|\d+\.)\s+")
ENDS = re.compile(r"(?<=[.!?])[)\"*_]*\s+")


def pages() -> list[Path]:
    """Return the files that people wrote for people."""
    return sorted(path for pattern in WRITTEN for path in ROOT.glob(pattern))


def sentences(text: str) -> list[str]:
    """Return the sentences of a page: no code, tables, headings or comments."""
    text = re.sub(r"(?ms)^(```|~~~).*?^\1\s*$", "\n", text)
    text = re.sub(r"(?s)<!--.*?-->", "", text)
    blocks: list[str] = [""]
    for line in text.splitlines():
        if not line.strip() or line.startswith(("#", "|", "    ", ":::", "{", "!")) or ITEM.match(line):
            blocks.append("")
        if line.strip() and not line.startswith(("#", "|", "    ", ":::", "{", "!")):
            blocks[-1] += f" {ITEM.sub('', line).strip()}"
    plain = [LINK.sub(r"\1", re.sub(r"`[^`]+`", "Code", block)) for block in blocks]
    parts = [part.strip() for block in plain for part in ENDS.split(block.strip())]
    return [part for part in parts if re.search(r"[A-Za-z]", part)]


def words(sentence: str) -> int:
    """Return the number of words; code counts as one."""
    return len(re.findall(r"[A-Za-z0-9][\w'’.-]*", sentence))


def main() -> None:
    """Print mean and longest sentence of each page, and of all."""
    counts: list[int] = []
    for path in pages():
        own = {each: words(each) for each in sentences(path.read_text(encoding="utf-8"))}
        if own:
            longest = max(own, key=lambda each: own[each])
            mean = sum(own.values()) / len(own)
            print(f"{path.relative_to(ROOT)}: {len(own)} sentences, mean {mean:.1f}, longest {own[longest]}")
            if own[longest] > 30:
                print(f"    {longest}")
        counts += own.values()
    print(f"all: {len(counts)} sentences, mean {sum(counts) / len(counts):.1f}, longest {max(counts)} words")


if __name__ == "__main__":
    sys.exit(main())
