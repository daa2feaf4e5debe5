#!/usr/bin/env python3
"""Checks the links of the Markdown pages: each relative one leads to a file of the tree, to a heading where it names one, and
every file in docs/ is reached from README.md by links.

    check_links.py SOURCE_DIR      check the tree
    check_links.py --self-test     show that a broken link and an orphan are seen
"""
import re
import sys
import tempfile
from pathlib import Path

LINK = re.compile(r"(?<!!)\[[^\]\n]+\]\(([^()\s]+)\)")
OUTSIDE = re.compile(r"^[a-z][a-z+.-]*:")
BUILT = {"build", ".git", "node_modules"}


def prose(page):
    """Without code: what stands there is shown, not followed."""
    text = re.sub(r"^```.*?^```", "", page.read_text(encoding="utf-8"), flags=re.S | re.M)
    return re.sub(r"`[^`\n]*`", "", "\n".join(line for line in text.splitlines() if not line.startswith("    ")))


def anchors(page):
    """What a heading is linked by: small letters, no punctuation, dashes for spaces (common practice of repository hosts)."""
    return {re.sub(r"[^\w\- ]", "", heading.lower()).strip().replace(" ", "-")
            for heading in re.findall(r"^#+ (.*)", page.read_text(encoding="utf-8"), re.M)}


def links_of(page):
    return [target for target in LINK.findall(prose(page)) if not OUTSIDE.match(target)]


def problems_in(source):
    problems = []
    leads_to = {}
    for page in sorted(source.rglob("*.md")):
        if BUILT & set(page.relative_to(source).parts):
            continue
        reached = leads_to[page] = set()
        for target in links_of(page):
            name, _, anchor = target.partition("#")
            to = (page.parent / name).resolve() if name else page
            where = f"{page.relative_to(source)}: ({target})"
            if not to.exists():
                problems.append(f"{where} leads nowhere")
            elif anchor and anchor not in anchors(to):
                problems.append(f"{where}: {to.name} has no such heading")
            else:
                reached.add(to)
    seen, front = set(), [source / "README.md"]
    while front:
        page = front.pop()
        if page not in seen:
            seen.add(page)
            front += leads_to.get(page, ())
    for path in sorted((source / "docs").rglob("*")):
        if path.is_file() and path not in seen:
            problems.append(f"{path.relative_to(source)}: no link leads here from README.md")
    return problems


def self_test():
    with tempfile.TemporaryDirectory() as folder:
        source = Path(folder).resolve()
        (source / "docs").mkdir()
        (source / "docs/a.md").write_text("# A heading's words\n")
        (source / "README.md").write_text("[a](docs/a.md#a-headings-words), [far](https://example.org/x), `[code](none.md)`\n\n    [code](none.md)\n")
        assert problems_in(source) == [], problems_in(source)
        (source / "docs/b.md").write_text("[a](a.md#elsewhere) and [c](c.md)")
        told = "\n".join(problems_in(source))
        for words in ("has no such heading", "(c.md) leads nowhere", "docs/b.md: no link leads here"):
            assert words in told, (words, told)


if __name__ == "__main__":
    if sys.argv[1:] == ["--self-test"]:
        self_test()
        print("broken links and orphans are seen")
        sys.exit(0)
    found = problems_in(Path(sys.argv[1]).resolve())
    print("\n".join(found) if found else "every link leads somewhere")
    sys.exit(1 if found else 0)
