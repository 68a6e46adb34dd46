#!/usr/bin/env python3
"""Check an evidence file without the service that made it.

    python3 check_evidence.py FILE [--expect-seal HASH]

FILE is an evidence file (JSON), or a document of the service as PDF, which has one attached.

Needs Python 3.9 or later and nothing else; this one file can be copied anywhere and read in a few minutes.
Exit code: 0 everything fits, 1 something differs, 2 the file cannot be read or holds nothing to check.

The file says of each record what was written down and a digest of it, of each seal which digests it covers,
and how a record stands under its seal. All of it is computed again here:

* digest        SHA-256 (FIPS 180-4) of the content as canonical JSON (RFC 8785)
* hidden value  SHA-256 of a 16-byte salt followed by the value as canonical JSON
* withheld      of such a record only the digest and how it stands under its seal are in the file, not what it says
* proof         root of a Merkle tree (RFC 6962 section 2.1) from the digest and its inclusion path; in a large file from all
                digests under a seal and the one path that stands with the seal
* seal          SHA-256 of the seal's fields as canonical JSON, the hash of the seal before it among them
"""

from __future__ import annotations

import argparse
import json
import re
import sys
import zlib
from collections.abc import Callable, Iterator
from hashlib import sha256
from typing import Any

FORM = "evidence-1"
SEAL_FIELDS = ("establishment", "number", "previous", "root", "leaves", "sealed_at")
NOTHING_BEFORE = "0" * 64
LARGEST_INTEGER = 2**53 - 1
DEEPEST = 64
MOST_UNPACKED = (
    100 * 1024 * 1024
)  # bytes of what is attached to a PDF, so that a small file cannot fill a memory
MOST_FILES = 50
MOST_SHOWN = 20  # seals, and gaps between them, each with a line of its own
HASH = re.compile("[0-9a-f]{64}")
SALT = re.compile("[0-9a-f]{32}")  # 16 bytes, always: else one hidden value could be opened in two ways
WHOLE = re.compile("0|[1-9][0-9]{0,17}")
HALF_A_PAIR = re.compile("[\ud800-\udfff]")

Json = dict[str, Any]
Key = tuple[str, int]  # establishment and number of a seal


class Unreadable(Exception):
    """The file is not an evidence file that this checker knows."""


class Differs(Exception):
    """Something in the file is not as it should be; the message says what."""


# -- the arithmetic, from the published standards ----------------------------------------------------------


def canonical(value: Any) -> bytes:
    """Canonical JSON (RFC 8785). Raises Differs, also for a fraction: evidence has numbers as text."""
    return "".join(_written(value, 0)).encode("utf-8")


def _written(value: Any, depth: int) -> Iterator[str]:
    if isinstance(value, (dict, list)) and depth >= DEEPEST:
        raise Differs(f"lists and objects are nested deeper than {DEEPEST} levels")
    if isinstance(value, dict):
        texts = {name: _text(name) for name in value}  # refuses half a pair before it is sorted by code units
        yield "{"
        for place, name in enumerate(sorted(texts, key=lambda name: name.encode("utf-16-be"))):
            yield f"{',' if place else ''}{texts[name]}:"
            yield from _written(value[name], depth + 1)
        yield "}"
    elif isinstance(value, list):
        yield "["
        for place, part in enumerate(value):
            yield "," if place else ""
            yield from _written(part, depth + 1)
        yield "]"
    else:
        yield _scalar(value)


def _scalar(value: Any) -> str:
    if isinstance(value, str):
        return _text(value)
    if value is None:
        return "null"
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, int) and abs(value) <= LARGEST_INTEGER:
        return str(value)
    raise Differs(f"{shown(value)} is a number that should stand as text")


def _text(value: Any) -> str:
    if not isinstance(value, str):
        raise Differs(f"the key {shown(value)} is not text")
    if HALF_A_PAIR.search(value):
        raise Differs(f"{shown(value)} holds half of a surrogate pair")
    return json.dumps(value, ensure_ascii=False)


def digest(value: Any) -> str:
    return sha256(canonical(value)).hexdigest()


def hidden(salt: bytes, value: Any) -> str:
    return sha256(salt + canonical(value)).hexdigest()


def leaf_hash(data: bytes) -> bytes:
    return sha256(b"\x00" + data).digest()


def node_hash(left: bytes, right: bytes) -> bytes:
    return sha256(b"\x01" + left + right).digest()


def root_from_path(leaf_data: bytes, index: int, size: int, path: list[bytes]) -> bytes:
    """The root a path leads to (RFC 9162 section 2.1.3.2). Raises Differs if it does not fit such a tree."""
    if not 0 <= index < size:
        raise Differs(f"there is no leaf {index} in a tree of {size}")
    node, last, reached = index, size - 1, leaf_hash(leaf_data)
    for sibling in path:
        if len(sibling) != sha256().digest_size or last == 0:
            raise Differs(f"the path does not fit leaf {index} of {size}")
        if node & 1 or node == last:
            reached = node_hash(sibling, reached)
            while node and not node & 1:
                node, last = node >> 1, last >> 1
        else:
            reached = node_hash(reached, sibling)
        node, last = node >> 1, last >> 1
    if last:
        raise Differs(f"the path is too short for leaf {index} of {size}")
    return reached


def root_from_leaves(leaves: dict[int, bytes], size: int, path: list[bytes]) -> bytes:
    """The root that leaves of one tree lead to, with the hashes they lack between them: level by level, from the left.

    Of one leaf the path is its inclusion path. Raises Differs if they do not fit such a tree.
    """
    if any(not 0 <= index < size for index in leaves):
        raise Differs(f"there is no such leaf in a tree of {size}")
    known, given = {index: leaf_hash(data) for index, data in leaves.items()}, iter(path)
    while size > 1:
        for index in sorted(known):
            if index ^ 1 < size and index ^ 1 not in known:
                known[index ^ 1] = next(given, b"")
        known = {index >> 1: _above(known, index & ~1, size) for index in known}
        size = (size + 1) // 2
    if b"" in known.values() or next(given, None) is not None:
        raise Differs("the path they share is too short or too long")
    return known[0]


def _above(level: dict[int, bytes], left: int, size: int) -> bytes:
    """The hash above a pair; an odd last one goes up as it is, and what lacks a hash comes to none."""
    if left + 1 == size:
        return level[left]
    both = level[left], level[left + 1]
    return node_hash(*both) if all(both) else b""


# -- reading -----------------------------------------------------------------------------------------------


def read(name: str) -> tuple[Json, bytes | None]:
    """The evidence in the named file, and the data of the document it hangs on. Raises Unreadable."""
    try:
        with open(name, "rb") as file:
            content = file.read()
    except OSError as error:
        raise Unreadable(f"it cannot be opened ({error.strerror or type(error).__name__})") from error
    if content.startswith(b"%PDF-"):
        return attached(content)
    return _evidence(content), None


def _evidence(content: bytes) -> Json:
    evidence = _json(content)
    if not isinstance(evidence, dict) or evidence.get("form") != FORM:
        raise Unreadable(f'it does not say "form": "{FORM}"')
    if not isinstance(evidence.get("records"), list) or not isinstance(evidence.get("seals"), list):
        raise Unreadable('it has no lists of "records" and "seals"')
    if not evidence["records"] and not evidence["seals"]:
        raise Unreadable("it holds no record and no seal")
    return evidence


def _json(content: bytes) -> Any:
    try:
        return json.loads(content.decode("utf-8-sig"), object_pairs_hook=_unambiguous)
    except RecursionError as error:
        raise Unreadable("it is nested too deeply") from error
    except ValueError as error:
        raise Unreadable(f"it is not JSON in UTF-8 ({shown(str(error))})") from error


def attached(pdf: bytes, most: int = MOST_UNPACKED) -> tuple[Json, bytes]:
    """The evidence that hangs in a PDF of the service, and its document's data as they lie there. Raises Unreadable.

    Not a reader of PDFs: it looks for attached streams, packed as the service packs them, and takes them by what they
    say. Two of one sort are refused, since another reader might show the other one.
    """
    found: dict[str, list[bytes]] = {"evidence": [], "data": []}
    for content in _streams(pdf, most):
        said = _json(content) if content[:1] == b"{" else None
        if isinstance(said, dict) and said.get("form") == FORM:
            found["evidence"].append(content)
        elif isinstance(said, dict) and isinstance(said.get("proofs"), list):
            found["data"].append(content)
    for name, contents in found.items():
        if len(contents) != 1:
            raise Unreadable(
                f"it is a PDF with {len(contents)} attached files of {name}, and should have one"
            )
    return _evidence(found["evidence"][0]), found["data"][0]


def _streams(pdf: bytes, most: int) -> Iterator[bytes]:
    """What is attached, unpacked: never more than ``most`` bytes of it."""
    for place, mark in enumerate(re.finditer(rb"/Type\s*/EmbeddedFile\b", pdf)):
        if place == MOST_FILES:
            raise Unreadable(f"it is a PDF with more than {MOST_FILES} attached files")
        head = re.compile(rb"[^\0]{0,600}?>>\s*stream\r?\n").match(pdf, mark.end())
        if head is None:
            raise Unreadable("it is a PDF whose attached files are not packed as the service packs them")
        unpacking = zlib.decompressobj()
        try:
            content = unpacking.decompress(memoryview(pdf)[head.end() :], most + 1)
        except zlib.error as error:
            raise Unreadable("it is a PDF whose attached files cannot be unpacked") from error
        most -= len(content)
        if most < 0:
            raise Unreadable("it is a PDF whose attached files are larger than this checker takes")
        if not unpacking.eof:
            raise Unreadable("it is a PDF whose attached files are cut short")
        yield content


def _unambiguous(pairs: list[tuple[str, Any]]) -> Json:
    """Refuse two members of one name: one reader would show the first, another the last."""
    members = dict(pairs)
    if len(members) < len(pairs):
        raise ValueError("an object names a member twice")
    return members


def shown(value: Any) -> str:
    """A value as ASCII on one line, cut short: nothing in a file may steer the terminal it is shown on."""
    text = ascii(value)
    return text if len(text) <= 80 else text[:77] + "..."


def _member(holder: Any, name: str, kind: type, what: str) -> Any:
    value = holder.get(name) if isinstance(holder, dict) else None
    if not isinstance(value, kind):
        raise Differs(f'{what} has no usable "{name}"')
    return value


def _matching(holder: Any, name: str, form: re.Pattern[str], what: str) -> str:
    value: str = _member(holder, name, str, what)
    if not form.fullmatch(value):
        raise Differs(f'{what}: its "{name}" is not in the form it should have')
    return value


def _number(holder: Any, name: str, what: str) -> int:
    return int(_matching(holder, name, WHOLE, what))


# -- checking ----------------------------------------------------------------------------------------------


class Findings:
    """What was counted, what differs, and what is only said."""

    def __init__(self) -> None:
        self.records = self.opened = self.withheld = self.seals = 0
        self.differences: list[str] = []
        self.remarks: list[str] = []
        self.good: dict[Key, Json] = {}  # seals whose hash fits
        self.under: dict[Key, int] = {}  # how many records here are proved to stand under a seal
        self.sharing: dict[Key, dict[int, bytes]] = {}  # digests that share the path of their seal, by place

    def attempt(self, check: Callable[..., None], *given: Any) -> None:
        """Run one check and keep what it complains about."""
        try:
            check(self, *given)
        except Differs as difference:
            self.differences.append(str(difference))


def check(evidence: Json, expected: list[str] | None = None, document: Json | None = None) -> Findings:
    """Check everything in ``evidence`` (as ``read``), and that it holds the ``expected`` seal hashes.

    ``document``: what the document that the evidence hangs on says of records and seal has to be so in the evidence.
    """
    findings = Findings()
    for place, seal in enumerate(evidence["seals"], 1):
        findings.seals += 1
        findings.attempt(_check_seal, seal, f"the seal in place {place}")
    for establishment in sorted({owner for owner, _ in findings.good}):
        _check_chain(findings, establishment)
    seen: set[str] = set()
    for place, record in enumerate(evidence["records"], 1):
        findings.records += 1
        findings.attempt(_check_record, record, f"the record in place {place}", seen)
    for key in sorted(findings.sharing):
        findings.attempt(_check_shared, key)
    for seal_hash in expected or []:
        findings.attempt(_check_expected, seal_hash)
    if document is not None:
        _check_document(findings, evidence, document)
    return findings


def _check_document(findings: Findings, evidence: Json, document: Json) -> None:
    known = {
        one["id"]: one.get("digest")
        for one in evidence["records"]
        if isinstance(one, dict) and isinstance(one.get("id"), str)
    }
    listed = [one.get("record") for one in document["proofs"] if isinstance(one, dict)]
    for record in sorted(set(known) - {one for one in listed if isinstance(one, str)}):
        findings.differences.append(
            f"record {shown(record)} is in the evidence and not in the document's list"
        )
    for one in document["proofs"]:
        findings.attempt(_check_listed, one, known)
    findings.attempt(_check_named, document, known, 0)
    if document.get("seal") is not None:
        findings.attempt(_check_printed_seal, document["seal"])


def _check_listed(findings: Findings, one: Any, known: dict[str, Any]) -> None:
    what = "a record that the document lists"
    record = _member(one, "record", str, what)
    if known.get(record) != _matching(one, "digest", HASH, what):
        raise Differs(f"record {shown(record)}: the document names another digest than the evidence has")


def _check_named(findings: Findings, value: Any, known: dict[str, Any], depth: int) -> None:
    """Wherever the document names a record together with its digest, beside its list."""
    if depth > DEEPEST:
        raise Differs(f"the document's data are nested deeper than {DEEPEST} levels")
    if isinstance(value, dict):
        if "digest" in value and isinstance(value.get("record"), str) and value["record"] in known:
            findings.attempt(_check_listed, value, known)
        for name, part in value.items():
            if name != "proofs":
                _check_named(findings, part, known, depth + 1)
    elif isinstance(value, list):
        for part in value:
            _check_named(findings, part, known, depth + 1)


def _check_printed_seal(findings: Findings, printed: Any) -> None:
    what = "the seal that the document prints"
    number, seal_hash = _number(printed, "number", what), _matching(printed, "hash", HASH, what)
    seal = next((one for key, one in findings.good.items() if key[1] == number), None)
    if seal is None:
        raise Differs(f"{what}, number {number}, is not in the evidence, or was changed")
    said = {"hash": seal["hash"], "root": seal["root"], "leaf_count": seal["leaves"]}
    for name, right in said.items():
        if printed.get(name) != right:
            raise Differs(f"{what}, number {number}, has another {name} than the evidence")
    findings.remarks.append(
        f"The document prints the hash {seal_hash} of seal {number}: compare it with the paper."
    )


def _check_seal(findings: Findings, seal: Any, what: str) -> None:
    key = (_member(seal, "establishment", str, what), _number(seal, "number", what))
    what = _seal_name(key)
    for name in ("previous", "root", "hash"):
        _matching(seal, name, HASH, what)
    _number(seal, "leaves", what)
    _member(seal, "sealed_at", str, what)
    if _digest({name: seal[name] for name in SEAL_FIELDS}, what) != seal["hash"]:
        raise Differs(f"{what} was changed: its hash does not fit what it says")
    if key in findings.good:
        raise Differs(f"{what} is in the file twice")
    findings.good[key] = seal
    if key[1] == 0 or (key[1] == 1) != (seal["previous"] == NOTHING_BEFORE):
        raise Differs(f"{what}: only the first, number 1, has no seal before it, and that one never has")


def _seal_name(key: Key) -> str:
    return f"seal {key[1]} of establishment {shown(key[0])}"


def _digest(value: Any, what: str) -> str:
    try:
        return digest(value)
    except Differs as reason:
        raise Differs(f"{what} cannot be digested: {reason}") from None


def _check_chain(findings: Findings, establishment: str) -> None:
    before, gaps = 0, list[tuple[int, str]]()
    for number in sorted(number for owner, number in findings.good if owner == establishment):
        if number > before + 1:
            gaps.append((number - before - 1, _seal_name((establishment, number))))
        elif before:
            findings.attempt(_check_link, (establishment, before), (establishment, number))
        before = number
    if len(gaps) > MOST_SHOWN:
        missing = sum(number for number, _name in gaps)
        gaps = [(missing, f"{gaps[-1][1]} and in {_count(len(gaps) - 1, 'place')} before it")]
    for missing, name in gaps:
        findings.remarks.append(
            f"Not in this file: {_count(missing, 'seal')} just before {name}. The chain is not shown there."
        )


def _check_link(findings: Findings, before: Key, key: Key) -> None:
    if findings.good[key]["previous"] != findings.good[before]["hash"]:
        raise Differs(f"{_seal_name(key)} does not follow from the seal before it")


def _check_record(findings: Findings, record: Any, what: str, seen: set[str]) -> None:
    if isinstance(record, dict) and record.get("withheld") is True:
        _check_withheld(findings, record, what, seen)
        return
    content = _member(record, "content", dict, what)
    for name in ("id", "kind"):
        if _member(record, name, str, what) != content.get(name):
            raise Differs(f'{what}: its "{name}" is not the one its content names')
    what = f"record {shown(record['id'])} of kind {shown(record['kind'])}"
    if record["id"] in seen:
        raise Differs(f"{what} is in the file twice")
    seen.add(record["id"])
    if _digest(content, what) != _matching(record, "digest", HASH, what):
        raise Differs(f"{what} says something else than when it was written: its digest does not fit")
    if "open" in record:
        for name, opened in _member(record, "open", dict, what).items():
            _check_opened(opened, content.get(name), f"{what}, confidential field {shown(name)}")
            findings.opened += 1
    if "proof" in record:
        _check_proof(findings, record, content, what)


def _check_withheld(findings: Findings, record: Json, what: str, seen: set[str]) -> None:
    """A record whose content was left out: its digest is there, and has to stand under its seal if it names one."""
    for name in ("id", "kind", "establishment"):
        _member(record, name, str, what)
    what = f"withheld record {shown(record['id'])} of kind {shown(record['kind'])}"
    if record["id"] in seen or "content" in record:
        raise Differs(f"{what} is in the file twice, or shown all the same")
    seen.add(record["id"])
    _matching(record, "digest", HASH, what)
    findings.withheld += 1
    if "proof" in record:
        _check_proof(findings, record, record, what)


def _check_opened(opened: Any, kept: Any, what: str) -> None:
    salt = bytes.fromhex(_matching(opened, "salt", SALT, what))
    if not isinstance(kept, dict) or set(kept) != {"hidden"} or "value" not in opened:
        raise Differs(f"{what}: the content does not hide it, or no value is shown")
    _digest(opened["value"], what)
    if hidden(salt, opened["value"]) != kept["hidden"]:
        raise Differs(f"{what}: the value shown is not the one that was written")


def _check_proof(findings: Findings, record: Json, content: Json, what: str) -> None:
    proof = _member(record, "proof", dict, what)
    key = (_member(content, "establishment", str, f"{what}: its content"), _number(proof, "seal", what))
    seal = findings.good.get(key)
    if seal is None:
        raise Differs(f"{what}: {_seal_name(key)} is not in the file, or was changed")
    if "path" not in proof and "path" in seal:
        _share(findings, key, _number(proof, "index", what), record, what)
        return
    size, index = _number(proof, "size", what), _number(proof, "index", what)
    if size != int(seal["leaves"]):
        raise Differs(f"{what}: its proof is for {size} leaves, its seal has {seal['leaves']}")
    path = _path(proof, what)
    if _root(bytes.fromhex(record["digest"]), index, size, path, what) != seal["root"]:
        raise Differs(f"{what} does not stand under {_seal_name(key)}: its path leads to another root")
    findings.under[key] = findings.under.get(key, 0) + 1


def _path(holder: Json, what: str) -> list[str]:
    path: list[str] = _member(holder, "path", list, what)
    if not all(isinstance(part, str) and HASH.fullmatch(part) for part in path):
        raise Differs(f"{what}: its path holds something that is not a hash")
    return path


def _share(findings: Findings, key: Key, index: int, record: Json, what: str) -> None:
    """Keep the digest until all that share the path of its seal are known."""
    sharing = findings.sharing.setdefault(key, {})
    if index in sharing:
        raise Differs(f"{what} stands where another one stands under {_seal_name(key)}")
    sharing[index] = bytes.fromhex(record["digest"])


def _check_shared(findings: Findings, key: Key) -> None:
    """All records that share a path: together they come to the root of their seal, or one of them does not belong there."""
    seal, sharing, what = findings.good[key], findings.sharing[key], _seal_name(key)
    path = [bytes.fromhex(part) for part in _path(seal, what)]
    try:
        root = root_from_leaves(sharing, int(seal["leaves"]), path).hex()
    except Differs as reason:
        raise Differs(f"{what}: {_count(len(sharing), 'record')} in this file: {reason}") from None
    if root != seal["root"]:
        raise Differs(
            f"{_count(len(sharing), 'record')} of this file do not stand under {what}: they lead to another root, so one "
            "of them at least was changed or put there"
        )
    findings.under[key] = findings.under.get(key, 0) + len(sharing)


def _root(leaf: bytes, index: int, size: int, path: list[str], what: str) -> str:
    try:
        return root_from_path(leaf, index, size, [bytes.fromhex(part) for part in path]).hex()
    except Differs as reason:
        raise Differs(f"{what}: {reason}") from None


def _check_expected(findings: Findings, seal_hash: str) -> None:
    key = next((key for key, seal in findings.good.items() if seal["hash"] == seal_hash), None)
    if key is None:
        raise Differs(f"no seal in this file has the hash you hold, {seal_hash}")
    chain = _chain_below(findings, key)
    covered = sum(findings.under.get(link, 0) for link in chain)
    findings.remarks.append(
        f"You hold the hash of {_seal_name(key)}. Through it and the chain below it, down to seal "
        f"{chain[-1][1]}, {_count(covered, 'record')} of this file cannot have changed since you got it."
    )


def _chain_below(findings: Findings, key: Key) -> list[Key]:
    """The seal ``key`` and those it is linked to without a gap, downward."""
    chain, below = [key], (key[0], key[1] - 1)
    while below in findings.good and findings.good[below]["hash"] == findings.good[chain[-1]]["previous"]:
        chain.append(below)
        below = (key[0], below[1] - 1)
    return chain


# -- saying ------------------------------------------------------------------------------------------------

SHOWS = """\
What this shows: each record reads as it did when its digest was made, and a record proved under a seal was
there when that seal was made.
What this cannot show: that what was written is true; that nothing was left out of this file; and, by itself,
that the owner did not rewrite everything and seal it anew. Only a copy held elsewhere shows that: compare a
seal hash with one that you wrote down or have on paper (--expect-seal). The times are what the owner's
computer said."""


def _count(number: int, noun: str) -> str:
    return f"{number} {noun}" if number == 1 else f"{number} {noun}s"


def report(evidence: Json, findings: Findings) -> Iterator[str]:
    """The lines to print."""
    sealed = sum(findings.under.values())
    yield f"Evidence made at {shown(evidence.get('made_at'))}."
    yield (
        f"{_count(findings.records, 'record')}: {sealed} proved under a seal, "
        f"{findings.records - sealed} not. "
        f"{_count(findings.opened, 'confidential value')} opened. {_count(findings.seals, 'seal')}."
        + (f" What {_count(findings.withheld, 'record')} say is left out." if findings.withheld else "")
    )
    seals = sorted(findings.good.items(), key=lambda pair: pair[0])
    if len(seals) > MOST_SHOWN:
        yield f"The last {MOST_SHOWN} of them:"
    for key, seal in seals[-MOST_SHOWN:]:
        here = f"{findings.under.get(key, 0)} of its {_count(int(seal['leaves']), 'record')} here"
        yield f"Hash {seal['hash']}: {_seal_name(key)}, {here}."
    yield from findings.remarks
    if findings.differences:
        yield f"{_count(len(findings.differences), 'difference')}. The first: {findings.differences[0]}."
    else:
        yield "Everything in this file fits together."
    yield SHOWS


def _seal_hash(text: str) -> str:
    """A hash as typed from paper: spaces and capitals do not matter."""
    plain = "".join(text.split()).lower()
    if not HASH.fullmatch(plain):
        raise argparse.ArgumentTypeError("a seal hash has 64 hex digits")
    return plain


def main(arguments: list[str] | None = None) -> int:
    parser = argparse.ArgumentParser(description="Check an evidence file without the service that made it.")
    parser.add_argument("file", metavar="FILE", help="evidence as JSON, or a document of the service as PDF")
    parser.add_argument(
        "--expect-seal", metavar="HASH", type=_seal_hash, action="append", help="a seal hash that you hold"
    )
    given = parser.parse_args(arguments)
    try:
        evidence, data = read(given.file)
    except Unreadable as reason:
        print(f"{shown(given.file)} cannot be checked: {reason}.")
        return 2
    findings = check(evidence, given.expect_seal, None if data is None else json.loads(data))
    if data is not None:
        findings.remarks.append(
            f"Digest of the document's data, to compare with the paper: {sha256(data).hexdigest()}."
        )
    print("\n".join(report(evidence, findings)))
    return 1 if findings.differences else 0


if __name__ == "__main__":
    sys.exit(main())
