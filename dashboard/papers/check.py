"""Checks this folder against manifest.json: python3 -I check.py. Needs Python 3 and nothing else.
Compares the SHA-256 of every file; that the manifest was signed, openssl tells (the command comes last).
"""

import hashlib
import json
import pathlib
import sys

HERE = pathlib.Path(__file__).resolve().parent
SEALED = {"manifest.json", "manifest.sig", "SHA256SUMS"}  # what a manifest cannot name


def main() -> int:
    manifest = json.loads((HERE / "manifest.json").read_bytes())
    named = {each["file"]: each["sha256"] for each in manifest["files"]}
    wrong = 0
    for name, expected in named.items():
        file = HERE / name
        if not file.is_file():
            print("MISSING ", name)
        elif hashlib.sha256(file.read_bytes()).hexdigest() != expected:
            print("CHANGED ", name)
        else:
            continue
        wrong += 1
    for file in sorted(HERE.rglob("*")):
        name = file.relative_to(HERE).as_posix()
        if file.is_file() and name not in named and name not in SEALED:
            print("ADDED   ", name)
            wrong += 1
    print(len(named), "files named,", wrong or "none", "wrong. Key", manifest["fingerprint"])
    print("openssl pkeyutl -verify -pubin -inkey key.pem -rawin -in manifest.json -sigfile manifest.sig")
    return 1 if wrong else 0


if __name__ == "__main__":
    sys.exit(main())
