"""Judges JSON documents, one a line, by a JSON Schema (draft 2020-12) with the Python library
`jsonschema`.

    python3 schema.py SCHEMA DOCUMENTS

Prints `valid`, or `invalid: ` and the first fault, for each.
"""

import json
import sys

from jsonschema import Draft202012Validator

with open(sys.argv[1], encoding="utf-8") as file:
    schema = json.load(file)
Draft202012Validator.check_schema(schema)
validator = Draft202012Validator(schema, format_checker=Draft202012Validator.FORMAT_CHECKER)
with open(sys.argv[2], encoding="utf-8") as documents:
    # Not `for line in documents.read().splitlines()`, which also breaks lines inside of names.
    for line in documents:
        fault = next(validator.iter_errors(json.loads(line)), None)
        print("valid" if fault is None else f"invalid: {fault.json_path}")
