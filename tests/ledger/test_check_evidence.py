"""The stand-alone checker: what it passes, what it finds, and that it needs nothing but Python."""

import ast
import copy
import json
import shutil
import subprocess
import sys
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from ledger import canonical, merkle
from ledger.standalone import check_evidence as checker
from tests.ledger.test_canonical import values

VECTORS = Path(__file__).parent / "vectors"
SHA256 = json.loads((VECTORS / "sha256.json").read_text())["vectors"]
RFC8785 = [
    vector
    for vector in json.loads((VECTORS / "rfc8785.json").read_text())["vectors"]
    if "has_float" not in vector
]
RFC6962 = json.loads((VECTORS / "rfc6962.json").read_text())
HERE = "01950000-0000-7000-8000-00000000aaaa"
ELSEWHERE = "01950000-0000-7000-8000-00000000bbbb"
SALT = bytes(range(16))


def record(number: int, establishment: str = HERE, **more: Any) -> dict[str, Any]:
    content = {
        "kind": "check",
        "form": "1",
        "id": f"01950000-0000-7000-8000-{number:012d}",
        "establishment": establishment,
        "note": "Läuft ruhig, 118,5 am Rand \U0001f36c",
        "withdrawn": False,
        "corrects": None,
        "readings": [{"value": "118.5", "unit": "CEL"}],
        "price": {"hidden": canonical.hidden(SALT, {"amount": "4.20"})},
    } | more
    opened = {"price": {"salt": SALT.hex(), "value": {"amount": "4.20"}}}
    return {
        "id": content["id"],
        "kind": "check",
        "content": content,
        "digest": canonical.digest(content),
        "open": opened,
    }


def seal(records: list[dict[str, Any]], number: int, previous: str) -> dict[str, Any]:
    """A seal over the records; each gets its proof."""
    leaves = [bytes.fromhex(one["digest"]) for one in records]
    made = {
        "establishment": records[0]["content"]["establishment"],
        "number": str(number),
        "previous": previous,
        "root": merkle.root(leaves).hex(),
        "leaves": str(len(leaves)),
        "sealed_at": f"2026-03-02T11:0{number}:00.000000Z",
    }
    for index, one in enumerate(records):
        path = [part.hex() for part in merkle.inclusion_path(leaves, index)]
        one["proof"] = {"seal": str(number), "index": str(index), "size": str(len(leaves)), "path": path}
    return made | {"hash": canonical.digest(made)}


def sealed_records() -> dict[str, Any]:
    """Three seals here over five, one and three records, and one seal elsewhere with the same number."""
    groups = [[record(n) for n in numbers] for numbers in (range(1, 6), range(6, 7), range(7, 10))]
    other = [record(20, ELSEWHERE)]
    seals, previous = [], "0" * 64
    for number, group in enumerate(groups, 1):
        seals.append(seal(group, number, previous))
        previous = seals[-1]["hash"]
    seals.append(seal(other, 1, "0" * 64))
    records = [one for group in [*groups, other] for one in group]
    return {
        "form": "evidence-1",
        "made_at": "2026-03-02T12:00:00.000000Z",
        "records": records,
        "seals": seals,
    }


def sharing() -> dict[str, Any]:
    """The same without the record in place 2: those of each seal share a path, as in the evidence of a long log."""
    made = sealed_records()
    for one in made["seals"]:
        of_seal = [each for each in made["records"] if belongs(each, one)]
        leaves = [bytes.fromhex(each["digest"]) for each in of_seal]
        shown = [place for place in range(len(leaves)) if of_seal[place] is not made["records"][2]]
        one["path"] = [part.hex() for part in merkle.shared_path(leaves, shown)]
    for each in made["records"]:
        del each["proof"]["path"], each["proof"]["size"]
    del made["records"][2]
    return made


def belongs(one: dict[str, Any], to: dict[str, Any]) -> bool:
    under = one["content"]["establishment"], one["proof"]["seal"]
    return under == (to["establishment"], to["number"])


EVIDENCE = sealed_records()
SHARING = sharing()


@pytest.fixture
def evidence() -> dict[str, Any]:
    return copy.deepcopy(EVIDENCE)


@pytest.fixture
def run(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> Callable[..., tuple[int, str]]:
    """Write the evidence (or bytes) to a file and check it: exit code and what was printed."""

    def run(evidence: Any, *options: str) -> tuple[int, str]:
        data = evidence if isinstance(evidence, bytes) else json.dumps(evidence).encode()
        file = tmp_path / "evidence.json"
        file.write_bytes(data)
        code = checker.main([str(file), *options])
        return code, capsys.readouterr().out

    return run


def differences(evidence: dict[str, Any], *expected: str) -> list[str]:
    return checker.check(evidence, list(expected)).differences


# -- the arithmetic ---------------------------------------------------------------------------------------


@pytest.mark.parametrize("vector", SHA256, ids=lambda vector: f"{vector['text'][:6]} x {vector['times']}")
def test_its_hash_is_sha_256_as_in_fips_180(vector: Any) -> None:
    assert checker.sha256(vector["text"].encode() * vector["times"]).hexdigest() == vector["digest"]


@given(values)
def test_its_canonical_json_is_the_services(value: Any) -> None:
    assert checker.canonical(value) == canonical.canonical(value)


@pytest.mark.parametrize("vector", RFC8785, ids=lambda vector: vector["name"])
def test_its_canonical_json_is_as_published_for_rfc_8785(vector: Any) -> None:
    assert checker.canonical(json.loads(vector["input"])) == vector["output"].encode()


@given(values, st.binary(min_size=16, max_size=16))
def test_its_hidden_values_are_the_services(value: Any, salt: bytes) -> None:
    assert checker.hidden(salt, value) == canonical.hidden(salt, value)


@pytest.mark.parametrize(
    "odd", [1.5, float("nan"), 2**53, "\ud800", {"\ud800": "x"}, {1: "x"}, ("a",)], ids=ascii
)
def test_both_refuse_the_same(odd: Any) -> None:
    with pytest.raises(canonical.NotCanonical):
        canonical.canonical([odd])
    with pytest.raises(checker.Differs):
        checker.canonical([odd])


def nested(levels: int) -> Any:
    return [nested(levels - 1)] if levels else "x"


def test_both_stop_at_the_same_depth() -> None:
    assert checker.canonical(nested(64)) == canonical.canonical(nested(64))
    with pytest.raises(canonical.NotCanonical):
        canonical.canonical(nested(65))
    with pytest.raises(checker.Differs):
        checker.canonical(nested(65))


@pytest.mark.parametrize("proof", RFC6962["paths"], ids=lambda proof: f"{proof['index']} of {proof['size']}")
def test_its_roots_from_paths_are_as_published_for_rfc_6962(proof: Any) -> None:
    leaf = bytes.fromhex(RFC6962["leaves"][proof["index"]])
    path = [bytes.fromhex(part) for part in proof["path"]]
    root = checker.root_from_path(leaf, proof["index"], proof["size"], path)
    assert root.hex() == RFC6962["roots"][proof["size"] - 1]


@given(st.integers(1, 40), st.data())
def test_its_roots_from_paths_are_the_services(size: int, data: Any) -> None:
    index = data.draw(st.integers(-1, size))
    path = data.draw(st.lists(st.just(bytes(32)), max_size=7))
    try:
        ours = merkle.root_from_path(b"x", index, size, path)
    except ValueError:
        with pytest.raises(checker.Differs):
            checker.root_from_path(b"x", index, size, path)
    else:
        assert checker.root_from_path(b"x", index, size, path) == ours


# -- what passes ------------------------------------------------------------------------------------------


def test_the_missing_hashes_of_any_leaves_lead_to_the_published_root() -> None:
    """Every choice of leaves of every tree of the vectors; the roots are those published, the paths ours."""
    leaves = [bytes.fromhex(leaf) for leaf in RFC6962["leaves"]]
    for size, root in enumerate(RFC6962["roots"], 1):
        for chosen in range(1, 2**size):
            places = [place for place in range(size) if chosen >> place & 1]
            path = merkle.shared_path(leaves[:size], places)
            found = checker.root_from_leaves({place: leaves[place] for place in places}, size, path)
            assert found.hex() == root


@pytest.mark.parametrize("proof", RFC6962["paths"], ids=lambda proof: f"{proof['index']} of {proof['size']}")
def test_of_one_leaf_the_missing_hashes_are_its_published_path(proof: Any) -> None:
    leaves = [bytes.fromhex(leaf) for leaf in RFC6962["leaves"]]
    path = merkle.shared_path(leaves[: proof["size"]], [proof["index"]])
    assert [part.hex() for part in path] == proof["path"]


@given(st.data())
def test_a_shared_path_that_is_too_long_or_too_short_leads_nowhere(data: Any) -> None:
    size = data.draw(st.integers(2, 20))
    leaves = [bytes([number]) for number in range(size)]
    places = data.draw(st.sets(st.integers(0, size - 1), min_size=1))
    path = merkle.shared_path(leaves, sorted(places))
    known = {place: leaves[place] for place in places}
    for wrong in [[*path, bytes(32)], *([path[:-1]] if path else [])]:
        with pytest.raises(checker.Differs):
            checker.root_from_leaves(known, size, wrong)


def test_a_leaf_outside_the_tree_leads_nowhere() -> None:
    with pytest.raises(checker.Differs, match="no such leaf"):
        checker.root_from_leaves({5: b"x"}, 5, [])


def test_evidence_that_shares_paths_fits(run: Any) -> None:
    code, said = run(SHARING)
    assert (code, "9 records: 9 proved under a seal, 0 not." in said) == (0, True)


def test_a_record_rewritten_under_a_shared_path_leads_to_another_root() -> None:
    changed = copy.deepcopy(SHARING)
    changed["records"][1]["content"]["readings"][0]["value"] = "117.0"
    redigested(changed["records"][1])
    (said,) = differences(changed)
    assert said.startswith("4 records of this file do not stand under seal 1 of establishment")


def test_two_records_in_one_place_under_a_shared_path_are_found() -> None:
    changed = copy.deepcopy(SHARING)
    changed["records"][1]["proof"]["index"] = changed["records"][0]["proof"]["index"]
    assert "stands where another one stands" in differences(changed)[0]


def test_evidence_as_made_fits(evidence: Any, run: Any) -> None:
    code, said = run(evidence)
    assert code == 0
    assert "10 records: 10 proved under a seal, 0 not. 10 confidential values opened. 4 seals." in said
    assert "Everything in this file fits together." in said


def test_it_says_what_it_cannot_show(evidence: Any, run: Any) -> None:
    assert "rewrite everything and seal it anew" in run(evidence)[1]


def test_hidden_values_need_not_be_opened(evidence: Any, run: Any) -> None:
    for one in evidence["records"]:
        del one["open"]
    assert run(evidence)[0] == 0


def test_a_mark_of_utf_8_at_the_start_does_no_harm(evidence: Any, run: Any) -> None:
    assert run(b"\xef\xbb\xbf" + json.dumps(evidence).encode())[0] == 0


def test_a_record_without_a_proof_is_counted_as_not_proved(evidence: Any, run: Any) -> None:
    del evidence["records"][0]["proof"]
    code, said = run(evidence)
    assert code == 0
    assert "9 proved under a seal, 1 not" in said


def test_a_gap_in_the_chain_is_said_and_is_no_difference(evidence: Any, run: Any) -> None:
    del evidence["seals"][1], evidence["records"][5]
    code, said = run(evidence)
    assert code == 0
    assert f"Not in this file: 1 seal just before seal 3 of establishment '{HERE}'" in said


def test_many_seals_with_gaps_between_are_told_in_few_lines(run: Any) -> None:
    """A house seals each minute in which it works, so that a log of a year bears thousands."""
    seals, previous = [], "1" * 64
    for number in range(2, 102, 2):
        made = {"establishment": HERE, "number": str(number), "previous": previous, "root": "0" * 64}
        made |= {"leaves": "1", "sealed_at": "2026-03-02T11:00:00.000000Z"}
        seals.append(made | {"hash": canonical.digest(made)})
    code, said = run({"form": "evidence-1", "made_at": "", "records": [], "seals": seals})
    assert code == 0
    assert "0 confidential values opened. 50 seals.\nThe last 20 of them:\n" in said
    assert said.count("Hash ") == 20
    name = f"seal 100 of establishment '{HERE}'"
    assert f"Not in this file: 50 seals just before {name} and in 49 places before it." in said


def test_seals_that_begin_later_are_said(evidence: Any, run: Any) -> None:
    evidence["seals"] = evidence["seals"][2:3]
    evidence["records"] = evidence["records"][6:9]
    code, said = run(evidence)
    assert code == 0
    assert "Not in this file: 2 seals just before seal 3" in said


# -- what is found ----------------------------------------------------------------------------------------


def leaves_of(value: Any, path: tuple[Any, ...] = ()) -> Iterator[tuple[Any, ...]]:
    if isinstance(value, (dict, list)):
        parts = value.items() if isinstance(value, dict) else enumerate(value)
        for name, part in parts:
            yield from leaves_of(part, (*path, name))
    else:
        yield path


PLACES = [
    (made, place)
    for made in (EVIDENCE, SHARING)
    for place in leaves_of(made)
    if place[0] in ("records", "seals")
]


def changed_at(made: dict[str, Any], place: tuple[Any, ...]) -> tuple[dict[str, Any], Any]:
    """A copy of the evidence, and in it what holds the value at the place."""
    changed = copy.deepcopy(made)
    holder: Any = changed
    for step in place[:-1]:
        holder = holder[step]
    return changed, holder


ODD = [None, True, 0, 1.5, "", "0", "7", "x", "0" * 64, "\ud800", "1" * 5000, [], {}, [[]], {"hidden": "x"}]


@pytest.mark.parametrize("odd", ODD, ids=lambda odd: ascii(odd)[:20])
def test_any_one_value_changed_is_found(odd: Any) -> None:
    for made, place in PLACES:
        changed, holder = changed_at(made, place)
        if type(holder[place[-1]]) is type(odd) and holder[place[-1]] == odd:
            continue
        holder[place[-1]] = odd
        assert differences(changed), place


def test_any_one_value_lost_is_found() -> None:
    for made, place in PLACES:
        changed, holder = changed_at(made, place)
        del holder[place[-1]]
        assert differences(changed), place


@given(values | st.floats(), values)
def test_any_odd_record_and_seal_are_differences_and_never_a_crash(one: Any, another: Any) -> None:
    odd = {"form": "evidence-1", "records": [one], "seals": [another]}
    findings = checker.check(odd)
    assert len(findings.differences) == 2
    assert "\n".join(checker.report(odd, findings)).isascii()


def test_the_first_difference_is_named_and_all_are_counted(evidence: Any, run: Any) -> None:
    for place in (3, 7):
        evidence["records"][place]["content"]["note"] = "never mind"
    code, said = run(evidence)
    assert code == 1
    assert f"2 differences. The first: record '{evidence['records'][3]['id']}' of kind 'check' says" in said
    assert "fits together" not in said


def test_what_is_shown_of_a_file_is_plain_ascii_and_short(evidence: Any, run: Any) -> None:
    one = evidence["records"][0]
    one["kind"] = one["content"]["kind"] = "Prüfung\x1b[2J" + "\u202e" * 5000
    code, said = run(evidence)
    assert code == 1
    assert said.isascii()
    assert "\x1b" not in said
    assert max(map(len, said.splitlines())) < 300


def redigested(one: dict[str, Any]) -> None:
    one["digest"] = canonical.digest(one["content"])


def test_a_record_rewritten_with_its_digest_does_not_stand_under_its_seal(evidence: Any) -> None:
    evidence["records"][2]["content"]["readings"][0]["value"] = "117.0"
    redigested(evidence["records"][2])
    assert "path leads to another root" in differences(evidence)[0]


def test_a_record_with_another_id_than_its_content_is_found(evidence: Any) -> None:
    evidence["records"][0]["id"] = evidence["records"][1]["id"]
    assert '"id" is not the one its content names' in differences(evidence)[0]


def test_an_opened_value_that_was_not_written_is_found(evidence: Any) -> None:
    evidence["records"][0]["open"]["price"]["value"] = {"amount": "3.90"}
    assert "the value shown is not the one that was written" in differences(evidence)[0]


def test_an_opened_field_that_the_content_does_not_hide_is_found(evidence: Any) -> None:
    evidence["records"][0]["open"] = {"note": {"salt": SALT.hex(), "value": "x"}}
    assert "does not hide it" in differences(evidence)[0]


def test_a_hidden_field_that_says_more_than_its_hash_is_found(evidence: Any) -> None:
    one = evidence["records"][0]
    one["content"]["price"]["amount"] = "3.90"
    redigested(one)
    del one["proof"]
    assert "does not hide it" in differences(evidence)[0]


def test_an_opened_field_without_its_value_is_found(evidence: Any) -> None:
    del evidence["records"][0]["open"]["price"]["value"]
    assert "no value is shown" in differences(evidence)[0]


def test_a_salt_that_takes_bytes_from_the_value_is_found(evidence: Any) -> None:
    """With salts of any length, what hides the text \'"x\' would open as the text \'x\' too."""
    one = evidence["records"][0]
    written, other = canonical.canonical('"x'), canonical.canonical("x")
    assert written.endswith(other)
    one["content"]["price"] = {"hidden": canonical.hidden(SALT, '"x')}
    redigested(one)
    del one["proof"]
    longer = SALT + written.removesuffix(other)
    one["open"] = {"price": {"salt": longer.hex(), "value": "x"}}
    assert differences(evidence) == [
        f"record '{one['id']}' of kind 'check', confidential field 'price': "
        'its "salt" is not in the form it should have'
    ]


def test_the_same_record_twice_is_found(evidence: Any) -> None:
    evidence["records"].append(evidence["records"][0])
    assert "is in the file twice" in differences(evidence)[0]


def test_the_same_seal_twice_is_found(evidence: Any) -> None:
    evidence["seals"].append(evidence["seals"][0])
    assert "is in the file twice" in differences(evidence)[0]


def test_a_proof_under_another_establishments_seal_is_found(evidence: Any) -> None:
    evidence["records"][0]["content"]["establishment"] = ELSEWHERE
    redigested(evidence["records"][0])
    assert len(differences(evidence)) == 1


def test_a_seal_changed_and_hashed_anew_breaks_the_chain(evidence: Any) -> None:
    first = evidence["seals"][0]
    first["sealed_at"] = "2026-03-01T00:00:00.000000Z"
    first["hash"] = canonical.digest({name: first[name] for name in checker.SEAL_FIELDS})
    assert differences(evidence) == [
        f"seal 2 of establishment '{HERE}' does not follow from the seal before it"
    ]


@pytest.mark.parametrize(("number", "previous"), [(1, "1" * 64), (2, "0" * 64), (0, "1" * 64)])
def test_only_the_first_seal_has_none_before_it(number: int, previous: str) -> None:
    one = [record(1)]
    odd = {"form": "evidence-1", "seals": [seal(one, number, previous)], "records": one}
    assert "only the first" in differences(odd)[0]


def test_a_proof_for_a_tree_of_another_size_is_found(evidence: Any) -> None:
    evidence["records"][0]["proof"]["size"] = "6"
    assert "its proof is for 6 leaves, its seal has 5" in differences(evidence)[0]


# -- a hash that you hold ---------------------------------------------------------------------------------


def test_a_held_seal_covers_its_records_and_those_below(evidence: Any, run: Any) -> None:
    code, said = run(evidence, "--expect-seal", evidence["seals"][1]["hash"])
    assert code == 0
    assert "down to seal 1, 6 records of this file cannot have changed" in said


def test_a_held_seal_may_be_typed_from_paper(evidence: Any, run: Any) -> None:
    typed = " ".join(evidence["seals"][0]["hash"].upper()[at : at + 8] for at in range(0, 64, 8))
    assert run(evidence, "--expect-seal", typed)[0] == 0


def test_a_held_seal_covers_nothing_below_a_gap(evidence: Any, run: Any) -> None:
    del evidence["seals"][1], evidence["records"][5]
    said = run(evidence, "--expect-seal", evidence["seals"][1]["hash"])[1]
    assert "down to seal 3, 3 records of this file" in said


def test_everything_rewritten_and_sealed_anew_is_shown_by_a_held_seal(evidence: Any, run: Any) -> None:
    held = evidence["seals"][0]["hash"]
    rewritten = [record(n, note="all was well") for n in range(1, 6)]
    forged = evidence | {"records": rewritten, "seals": [seal(rewritten, 1, "0" * 64)]}
    assert run(forged)[0] == 0
    code, said = run(forged, "--expect-seal", held)
    assert code == 1
    assert f"no seal in this file has the hash you hold, {held}" in said


def test_a_seal_hash_that_is_none_is_refused(evidence: Any, run: Any, capsys: Any) -> None:
    with pytest.raises(SystemExit) as ended:
        run(evidence, "--expect-seal", "12")
    assert ended.value.code == 2
    assert "64 hex digits" in capsys.readouterr().err


# -- files that cannot be read ----------------------------------------------------------------------------


@pytest.mark.parametrize(
    "data",
    [
        b"",
        b"{",
        b"\xff\xfe",
        b"[]",
        b"null",
        b'"evidence-1"',
        b'{"form": "evidence-2", "records": [{}], "seals": []}',
        b'{"form": "evidence-1"}',
        b'{"form": "evidence-1", "records": {}, "seals": []}',
        b'{"form": "evidence-1", "records": [], "seals": []}',
        b'{"form": "evidence-1", "form": "evidence-1", "records": [{}], "seals": []}',
        b"[" * 100_000,
        b'{"form": ' + b"9" * 5000 + b"}",
    ],
    ids=lambda data: ascii(data[:50]),
)
def test_what_is_no_evidence_is_unreadable(data: bytes, run: Any) -> None:
    code, said = run(data)
    assert code == 2
    assert "cannot be checked" in said


def test_a_file_that_is_not_there_is_unreadable(tmp_path: Path, capsys: Any) -> None:
    assert checker.main([str(tmp_path / "none.json")]) == 2
    assert checker.main([str(tmp_path)]) == 2
    assert "Traceback" not in capsys.readouterr().out


@given(st.binary(max_size=60))
def test_any_bytes_give_an_answer(tmp_path_factory: Any, data: bytes) -> None:
    file = tmp_path_factory.mktemp("any") / "evidence.json"
    file.write_bytes(data)
    assert checker.main([str(file)]) == 2


# -- it stands alone --------------------------------------------------------------------------------------

SOURCE = Path(checker.__file__)


def test_it_runs_far_from_the_service_without_any_package(evidence: Any, tmp_path: Path) -> None:
    shutil.copy(SOURCE, tmp_path / "check.py")
    evidence["records"][0]["content"]["note"] = "changed"
    (tmp_path / "e.json").write_text(json.dumps(evidence))
    done = subprocess.run(
        [sys.executable, "-I", "-S", "check.py", "e.json"], cwd=tmp_path, capture_output=True, text=True
    )
    assert (done.returncode, done.stderr) == (1, "")
    assert "1 difference. The first" in done.stdout


def test_it_is_written_in_the_python_of_3_9() -> None:
    ast.parse(SOURCE.read_text(), feature_version=(3, 9))


def test_it_imports_the_standard_library_only() -> None:
    names = set()
    for node in ast.walk(ast.parse(SOURCE.read_text())):
        if isinstance(node, ast.Import):
            names |= {alias.name.split(".")[0] for alias in node.names}
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0
            names.add(str(node.module).split(".")[0])
    assert names <= sys.stdlib_module_names
