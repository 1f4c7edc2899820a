"""Alters one byte of every file of an export, at some places each, and asks both verifiers to find and name it.

usage: flip_bytes.py FOLDER WINDROW_HUB
"""

import json
import pathlib
import random
import subprocess
import sys

folder, hub = pathlib.Path(sys.argv[1]), sys.argv[2]
PLACES = 2
draw = random.Random(20260131)
other = [sys.executable, str(pathlib.Path(__file__).with_name("verify_export.py")), str(folder)]
n_flips = 0

for path in sorted(p for p in folder.rglob("*") if p.is_file()):
    name, good = str(path.relative_to(folder)), path.read_bytes()
    for place in sorted({draw.randrange(len(good)) for _ in range(PLACES)} if good else ()):
        altered = bytearray(good)
        altered[place] ^= 1 << draw.randrange(8)
        path.write_bytes(altered)
        n_flips += 1
        ours = subprocess.run([hub, "--json", "verify", str(folder)], capture_output=True, text=True)
        theirs = subprocess.run(other, capture_output=True, text=True)
        path.write_bytes(good)
        # What seals the sums and the sums themselves can only be told to disagree.
        named = {name, "SHA256SUMS"} if name == "seal.json" else {name}
        files = {finding["file"] for finding in json.loads(ours.stdout)["findings"]} if ours.stdout else set()
        assert ours.returncode == 4 and files & named, f"{name}, byte {place}: windrow-hub says {ours}"
        told = theirs.returncode == 4 and any(f"altered: {n}" in theirs.stdout for n in named | {"(the rest)"})
        assert told, f"{name}, byte {place}: the other verifier says {theirs}"

print(f"{n_flips} altered bytes found and named by both")
