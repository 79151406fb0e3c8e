"""Every published case against the project's own function, and the table of them in the docs."""

import pytest

import reference_answers
import reference_cases
from reference_cases import Case, compare, load_cases

CASES = load_cases()


@pytest.mark.parametrize("capability", sorted({c.capability for c in CASES}))
def test_published_cases(capability: str) -> None:
    for case in (c for c in CASES if c.capability == capability):
        for item in compare(case):
            if not item.agrees:
                i = item.worst
                pytest.fail(
                    f"{case.id}: {item.name} is {item.ours[i]!r}, published {item.published[i]!r} +- {item.allowed[i]:.2g}"
                )


def test_every_function_has_a_case_and_enough_cases_are_not_our_own() -> None:
    assert {c.capability for c in CASES} == set(reference_answers.ANSWERS)
    counted = [c for c in CASES if c.status != "formula" and c.capability != "units"]
    assert len(counted) >= 110


def test_the_table_in_the_docs_is_that_of_the_cases() -> None:
    old, new = reference_cases.PAGE.read_text("utf-8"), reference_cases.write_table()
    assert reference_cases.same_digits(old, new), "run python tests/reference_cases.py"


@pytest.mark.parametrize(
    ("case", "message"),
    [
        ({"status": "read somewhere"}, "status must be one of"),
        ({"status": "printed page seen"}, "says where the page was seen"),
        ({"status": "library run"}, "names package, version and call"),
        ({"tolerance": {"p": 0.1}}, "says why p is held to less than its printed digits"),
        ({"pgae": "12"}, "unknown pgae"),
    ],
)
def test_a_case_that_hides_something_is_refused(case: dict, message: str) -> None:
    printed = {"p": reference_cases.Printed("0.25")}
    whole = {
        "id": "a",
        "capability": "b",
        "source": "c",
        "status": "memory",
        "inputs": {},
        "expected": printed,
    }
    with pytest.raises(AssertionError, match=message):
        reference_cases._read_case(whole | case, {}, "here")


def test_printed_digits_are_remembered() -> None:
    assert [reference_cases.Printed(t).half_unit for t in ("0.920", "1.50e-5", "26297.0")] == pytest.approx(
        [0.0005, 0.5e-7, 0.05]
    )
    assert reference_cases.same_digits("0.123 of 7", "0.124 of 7")
    assert not reference_cases.same_digits("0.123 of 7", "0.125 of 7")
    assert isinstance(CASES[0], Case)
