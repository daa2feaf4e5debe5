#!/usr/bin/env python3
"""Reads an image bundle as docs/image.md describes it; checks every hash and count, prints the pages by verdict.

    read_bundle.py BUNDLE

Exit code 0: the bundle is whole and agrees with itself. Python standard library only.
"""
import csv
import hashlib
import json
import sys
from collections import Counter
from pathlib import Path


def sha256(path):
    digest = hashlib.sha256()
    with path.open("rb") as file:
        while piece := file.read(1 << 20):
            digest.update(piece)
    return digest.hexdigest()


def main(bundle):
    manifest = json.loads((bundle / "manifest.json").read_text())
    assert manifest["schema"] == "steadycell-image/1", f"unknown schema {manifest['schema']}"
    for entry in manifest["files"]:
        path = bundle / entry["name"]
        assert path.stat().st_size == entry["bytes"], f"{entry['name']}: size differs from the manifest"
        assert sha256(path) == entry["sha256"], f"{entry['name']}: SHA-256 differs from the manifest"

    geometry = manifest["geometry"]
    per_block = geometry["pages_per_block"]
    block_bytes = (geometry["page_bytes"] + geometry["spare_bytes"]) * per_block
    block_hashes, pages, at = (bundle / "blocks.sha256").read_bytes(), [], 0
    for lun in manifest["coverage"]:
        with (bundle / lun["file"]).open("rb") as file:
            for first, count in lun["ranges"]:
                for block in range(first, first + count):
                    found = hashlib.sha256(file.read(block_bytes)).digest()
                    assert found == block_hashes[at:at + 32], f"{lun['file']}: block {block} differs from blocks.sha256"
                    at += 32
                    pages += [(lun["target"], lun["lun"], block * per_block + page) for page in range(per_block)]

    with (bundle / "verdicts.csv").open(newline="") as file:
        rows = list(csv.DictReader(file))
    assert [tuple(int(row[key]) for key in ("target", "lun", "page")) for row in rows] == pages, "verdicts.csv: other pages"
    counts = Counter(row["verdict"] for row in rows)
    summary = manifest["summary"]
    assert {key: counts[key] for key in summary["verdicts"]} == summary["verdicts"], "verdicts.csv: other counts"
    for key in ("unstable_bits", "corrected_bits"):
        assert sum(int(row[key]) for row in rows) == summary[key], f"verdicts.csv: {key} differs from the manifest"
    print(f"{len(rows)} pages:", ", ".join(f"{verdict} {number}" for verdict, number in summary["verdicts"].items()))


if __name__ == "__main__":
    try:
        main(Path(sys.argv[1]))
    except AssertionError as problem:
        sys.exit(str(problem))
