"""Verifies an export of the hub, written from docs/exports.md, docs/ledger.md and docs/record.md alone.

usage: verify_export.py FOLDER|FILE.zip [--head OLD_HEAD.json]

Prints what it counted, and one line `altered: FILE[:LINE]: WHAT` for all that doesn't hold; ends with 4 where there is any.
It shares nothing with the hub: SHA-256 is Python's, Ed25519 that of the package `cryptography` (OpenSSL), canonical JSON
that of the package `rfc8785`, the Merkle tree is written here by RFC 9162 section 2.1.
"""

import argparse
import datetime
import hashlib
import json
import pathlib
import sys
import zipfile

import rfc8785
from cryptography.exceptions import InvalidSignature
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PublicKey


def sha256(data):
    return hashlib.sha256(data).digest()


def unhex(text):
    """Lower-case hex, as all bytes in files are."""
    if text != text.lower() or " " in text:
        raise ValueError("not lower-case hex")
    return bytes.fromhex(text)


def is_signed(key_hex, message, signature_hex):
    try:
        Ed25519PublicKey.from_public_bytes(unhex(key_hex)).verify(unhex(signature_hex), message)
        return True
    except (InvalidSignature, ValueError):
        return False


# RFC 9162, 2.1.1

def leaf_hash(leaf_input):
    return sha256(b"\0" + leaf_input)


def node_hash(left, right):
    return sha256(b"\1" + left + right)


class Growing:
    """The root over leaves that come one by one: a stack of complete subtrees, the largest first."""

    def __init__(self):
        self.size, self.stack = 0, []

    def push(self, leaf):
        n, node = self.size, leaf
        while n & 1:
            node = node_hash(self.stack.pop(), node)
            n >>= 1
        self.stack.append(node)
        self.size += 1

    def root(self):
        if not self.stack:
            return sha256(b"")
        node = self.stack[-1]
        for left in reversed(self.stack[:-1]):
            node = node_hash(left, node)
        return node


def is_included(leaf, idx, size, path, root):
    """RFC 9162, 2.1.3.2."""
    if idx >= size:
        return False
    fn, sn, r = idx, size - 1, leaf
    for p in path:
        if sn == 0:
            return False
        if fn & 1 or fn == sn:
            r = node_hash(p, r)
            while not fn & 1 and fn:
                fn >>= 1
                sn >>= 1
        else:
            r = node_hash(r, p)
        fn >>= 1
        sn >>= 1
    return sn == 0 and r == root


# docs/ledger.md

def leaf_input(kind, digest, timestamp_ms):
    time = timestamp_ms.to_bytes(8, "big")
    if kind == "record":
        return b"windrow-leaf/1\n" + digest + time
    return b"windrow-event/1\n" + kind.encode() + b"\n" + digest + time


def last_key(log_id, keys):
    """The key that a line of keys ends with; a string that says what is wrong with it."""
    if any(key.keys() != {"public_key", "endorsed_by", "endorsement"} for key in keys):
        return None, "a key has other fields than it should"
    if not keys or sha256(unhex(keys[0]["public_key"])) != log_id:
        return None, "the first key isn't the one that names the log"
    if keys[0]["endorsed_by"] is not None or keys[0]["endorsement"] is not None:
        return None, "the first key is endorsed by nobody"
    for before, after in zip(keys, keys[1:]):
        message = b"windrow-head-key/1\n" + log_id + unhex(after["public_key"])
        if after["endorsed_by"] != before["public_key"] or not is_signed(before["public_key"], message, after["endorsement"]):
            return None, "a key isn't endorsed by the one before it"
    return keys[-1]["public_key"], None


def check_head(head):
    fields = {"schema", "log_id", "tree_size", "root_hash", "timestamp_ms", "signature", "keys"}
    if head.keys() != fields or head["schema"] != "windrow-head/1":
        return "is of another form"
    log_id = unhex(head["log_id"])
    key, why = last_key(log_id, head["keys"])
    if why:
        return why
    message = (b"windrow-head/1\n" + log_id + head["timestamp_ms"].to_bytes(8, "big")
               + head["tree_size"].to_bytes(8, "big") + unhex(head["root_hash"]))
    return None if is_signed(key, message, head["signature"]) else "the signature isn't the last key's"


class Export:
    def __init__(self, path):
        path = pathlib.Path(path)
        if path.is_dir():
            self.names = sorted(str(p.relative_to(path)) for p in path.rglob("*") if p.is_file())
            self.read = lambda name: (path / name).read_bytes()
        else:
            archive = zipfile.ZipFile(path)
            self.names = sorted(archive.namelist())
            self.read = archive.read
        self.findings, self.counts = [], {}

    def find(self, file, what, line=None):
        self.findings.append(f"{file}{'' if line is None else f':{line}'}: {what}")

    def lines(self, file):
        """Each line with its number; what a line fails with is found, and the rest goes on."""
        for number, line in enumerate(self.read(file).split(b"\n")[:-1], 1):
            self.counts[file] = number
            yield number, line

    def each(self, file, check):
        if file not in self.names:
            return
        for number, line in self.lines(file):
            try:
                why = check(json.loads(line))
            except (ValueError, KeyError, TypeError, AttributeError, OverflowError, rfc8785.CanonicalizationError) as e:
                why = f"{type(e).__name__}: {e}"
            if why:
                self.find(file, why, number)


def check_sums(export):
    sums_bytes = export.read("SHA256SUMS")
    sums = {}
    for line in sums_bytes.decode(errors="replace").splitlines():
        digest, _, name = line.partition("  ")
        sums[name] = digest
    for name in export.names:
        if name in ("SHA256SUMS", "seal.json"):
            continue
        if name not in sums:
            export.find(name, "is not in SHA256SUMS")
        elif hashlib.sha256(export.read(name)).hexdigest() != sums[name]:
            export.find(name, "is not as SHA256SUMS says")
    for name in sums.keys() - set(export.names):
        export.find(name, "is missing")
    seal = json.loads(export.read("seal.json"))
    digest = sha256(sums_bytes)
    log_id = unhex(seal["log_id"])
    key, why = last_key(log_id, seal["keys"])
    fields = {"schema", "log_id", "sums_digest", "signature", "keys"}
    if seal.keys() != fields or seal["schema"] != "windrow-seal/1" or why:
        export.find("seal.json", why or "is of another form")
    elif seal["sums_digest"] != digest.hex():
        export.find("SHA256SUMS", "is not the one that was sealed")
    elif not is_signed(key, b"windrow-export/1\n" + log_id + digest, seal["signature"]):
        export.find("seal.json", "the signature isn't the last key's")
    return seal["log_id"]


def check_leaves(export, head, old):
    leaves, growing, old_root = [], Growing(), None
    for number, line in export.lines("ledger/leaves.txt"):
        try:
            leaves.append(unhex(line.decode()))
        except ValueError:
            export.find("ledger/leaves.txt", "is no hash", number)
            leaves.append(b"")
        growing.push(leaves[-1])
        if old and growing.size == old["tree_size"]:
            old_root = growing.root().hex()
    if growing.size != head["tree_size"] or growing.root().hex() != head["root_hash"]:
        export.find("ledger/leaves.txt", "does not hash to the head's root")
    if old:
        if check_head(old):
            sys.exit("the older head itself doesn't hold")
        if old["log_id"] != head["log_id"]:
            export.find("ledger/head.json", "is of another log than the older head")
        elif old["tree_size"] > head["tree_size"]:
            export.find("ledger/head.json", "the ledger was cut since the older head")
        elif old_root != old["root_hash"]:
            export.find("ledger/head.json", "the ledger was rewritten or forked since the older head")
    return leaves


def milliseconds(text):
    time = datetime.datetime.fromisoformat(text.replace("Z", "+00:00"))
    return round(time.timestamp() * 1000)


def check_rows(export, head, leaves):
    root, size = unhex(head["root_hash"]), head["tree_size"]
    keys, visits, erased, told, records = {}, {}, set(), set(), set()
    has_runs = "runs.ndjson" in export.names
    as_of_ms = milliseconds(json.loads(export.read("export.json"))["as_of"])

    def stands(idx, kind, digest, at_ms):
        if leaves[idx] != leaf_hash(leaf_input(kind, digest, at_ms)):
            return f"is not what leaf {idx} stands for"
        if idx in told:
            return f"leaf {idx} was told before"
        told.add(idx)
        return None

    def event(line):
        why = stands(line["leaf_idx"], line["kind"], sha256(line["body"].encode()), line["timestamp_ms"])
        body = json.loads(line["body"])
        if line["kind"] == "enrolment":
            keys[body["device_id"]] = body["public_key"]
        if line["kind"] == "visit":
            visits[body["visit_id"]] = (line["leaf_idx"], body)
        if line["kind"] == "erasure":
            erased.update(body["leaves"])
        return why

    def proof(line):
        leaf = leaf_hash(leaf_input(line["kind"], unhex(line["digest"]), line["timestamp_ms"]))
        path = [unhex(p) for p in line["path"]]
        return None if is_included(leaf, line["leaf_idx"], size, path, root) else "does not prove its leaf"

    def run(row):
        if row["leaf_idx"] is None:
            return "no leaf stands for it"
        kind = "imported_run" if row["provenance"] == "imported" else "record"
        if kind == "record":
            records.add(row["leaf_idx"])
        return stands(row["leaf_idx"], kind, unhex(row["record_digest"]), milliseconds(row["received_at"]))

    def absent(line):
        if line["kind"] not in ("record", "imported_run"):
            return "is no run"
        why = stands(line["leaf_idx"], line["kind"], unhex(line["digest"]), line["timestamp_ms"])
        if why:
            return why
        if line["why"] == "later":
            is_later = line["kind"] == "record" and line["timestamp_ms"] > as_of_ms
            return None if is_later else "did not come later"
        return "the hub's store no longer had it"

    def visit(row):
        if row["visit_id"] is None:
            return None
        leaf_idx, body = visits[row["visit_id"]]
        if (row["is_erased"] == "yes") != (leaf_idx in erased):
            return "whether it was erased is not what the ledger says"
        if row["is_erased"] == "yes" and (row["found"] is not None or row["parts"] is not None):
            return "its texts were erased and one is here"
        same = all(row[name] == body[name] for name in ("device_id", "visited_on", "minutes", "by_role", "corrects"))
        same = same and row["actions"].split(" ") == body["actions"] and (row["is_withdrawn"] == "yes") == body["is_withdrawn"]
        return None if same else "is not what its event says"

    def record(line):
        document = json.loads(line["record"])
        header, trace = document["header"], document["trace"]
        signed = {name: value for name, value in header.items() if name not in ("digest", "signature")}
        digest = sha256(rfc8785.dumps(signed))
        if sha256(rfc8785.dumps(trace)).hex() != header["trace_digest"]:
            return "its trace is not the one that was signed"
        if digest.hex() != header["digest"] or header["digest"] != line["digest"]:
            return "its header is not the one that was signed"
        if not is_signed(keys[header["device_id"]], b"windrow-record/1\n" + digest, header["signature"]):
            return "the signature is not its laptop's"
        if has_runs:
            if line["leaf_idx"] not in records:
                return "no row of the runs table is its, or it was told before"
            records.remove(line["leaf_idx"])
        return proof(line)

    export.each("ledger/events.ndjson", event)
    export.each("ledger/proofs.ndjson", proof)
    export.each("runs.ndjson", run)
    if has_runs:
        if "ledger/absent.ndjson" not in export.names:
            export.find("ledger/absent.ndjson", "is missing")
        export.each("ledger/absent.ndjson", absent)
        for idx in sorted(set(range(len(leaves))) - told):
            export.find("ledger/leaves.txt", f"nothing stands for leaf {idx}", idx + 1)
    export.each("visits.ndjson", visit)
    export.each("records.ndjson", record)
    if "records.ndjson" in export.names:
        for idx in sorted(records):
            export.find("records.ndjson", f"the record of leaf {idx} is missing")


def main():
    arguments = argparse.ArgumentParser()
    arguments.add_argument("export")
    arguments.add_argument("--head")
    arguments = arguments.parse_args()
    old = json.loads(pathlib.Path(arguments.head).read_text()) if arguments.head else None
    export = Export(arguments.export)
    try:
        log_id = check_sums(export)
        head = json.loads(export.read("ledger/head.json"))
        why = check_head(head)
        if why or head["log_id"] != log_id:
            export.find("ledger/head.json", why or "is of another log than the seal")
        else:
            check_rows(export, head, check_leaves(export, head, old))
    except (ValueError, KeyError, TypeError, AttributeError, OSError, OverflowError) as e:
        export.find("(the rest)", f"cannot be read: {type(e).__name__}: {e}")
    for finding in export.findings:
        print(f"altered: {finding}")
    print(", ".join(f"{name} {n}" for name, n in sorted(export.counts.items())))
    sys.exit(4 if export.findings else 0)


main()
