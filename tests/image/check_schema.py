#!/usr/bin/env python3
"""Holds docs/image-manifest.schema.json against the golden manifest and the table of hostile ones, with python3-jsonschema.

The C++ test parses the same files, so schema and parser cannot drift apart unseen. Rows marked "semantic" need arithmetic
across keys, which a schema cannot do: it must let them pass.

    check_schema.py SCHEMA.json FOLDER
"""
import copy
import json
import sys
from pathlib import Path

from jsonschema import Draft202012Validator


def changed(manifest, row):
    manifest = copy.deepcopy(manifest)
    *parents, last = row["path"].strip("/").split("/")
    place = manifest
    for key in parents:
        place = place[int(key)] if isinstance(place, list) else place[key]
    if row.get("remove"):
        del place[last]
    else:
        place[last] = row["value"]
    return manifest


def main(schema_path, folder):
    schema = json.loads(Path(schema_path).read_text())
    Draft202012Validator.check_schema(schema)
    validator = Draft202012Validator(schema)
    golden = json.loads((Path(folder) / "golden" / "manifest.json").read_text())
    problems = [f"golden: {error.message}" for error in validator.iter_errors(golden)]
    rows = json.loads((Path(folder) / "hostile_manifests.json").read_text())
    for row in rows:
        if validator.is_valid(changed(golden, row)) != row.get("semantic", False):
            problems.append(f"schema judges otherwise than the parser: {row}")
    print("\n".join(problems) or f"golden manifest and {len(rows)} hostile ones judged alike")
    return 1 if problems else 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1], sys.argv[2]))
