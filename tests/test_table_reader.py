"""The reader of tables: rows as dataclasses, every fault of every row in one message."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass, field
from fractions import Fraction
from pathlib import Path
from typing import Annotated

import pytest

from ventbook.tables.reader import OneOf, TableError, read_rows

COLOURS = ("red", "green")


@dataclass(frozen=True)
class Part:
    """A row with a field of every type that tables hold."""

    name: str
    colour: Annotated[str, OneOf(*COLOURS)]
    length_mm: float
    sides: Annotated[tuple[str, ...], OneOf("left", "right")] = ()
    count: int = 1
    spare: bool = False
    ratio: Fraction = Fraction(1)
    limit: float | None = None
    signs: Mapping[str, tuple[str, ...]] = field(default_factory=dict)

    def __post_init__(self) -> None:
        if self.length_mm <= 0:
            raise ValueError(f"length_mm must be over 0; got {self.length_mm:g}")


def read(tmp_path: Path, text: str, **options: object) -> tuple[Part, ...]:
    path = tmp_path / "parts.toml"
    path.write_text(text, "utf-8")
    return read_rows(path, "part", Part, **options)


GOOD = '[[part]]\nname = "a"\ncolour = "red"\nlength_mm = 3\n'


def test_rows_become_what_the_fields_say(tmp_path: Path) -> None:
    more = 'sides = ["left"]\nspare = true\nratio = "1/3"\nlimit = 2\nsigns = { gap = ["wide"] }\n'
    found = read(tmp_path, GOOD + more)
    assert found == (Part("a", "red", 3.0, ("left",), 1, True, Fraction(1, 3), 2.0, {"gap": ("wide",)}),)
    assert type(found[0].length_mm) is float
    assert type(found[0].limit) is float
    assert read(tmp_path, "") == ()


def test_defaults_stand_in(tmp_path: Path) -> None:
    assert (
        read(tmp_path, '[[part]]\nname = "a"\ncolour = "red"\n', defaults={"length_mm": 2})[0].length_mm
        == 2.0
    )


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("size = 1\n", "row 1 (a): unknown size (allowed: colour, "),
        ('sides = ["top", "left"]\n', "row 1 (a): sides must be among left, right; got 'top'"),
        ('sides = "left"\n', "row 1 (a): sides must be a list; got 'left'"),
        ("count = 1.5\n", "row 1 (a): count must be a whole number; got 1.5"),
        ("count = true\n", "row 1 (a): count must be a whole number; got True"),
        ("spare = 1\n", "row 1 (a): spare must be true or false; got 1"),
        ('limit = "2"\n', "row 1 (a): limit must be a number; got '2'"),
        ("signs = { gap = 1 }\n", "row 1 (a): signs must be a list; got 1"),
    ],
)
def test_a_wrong_row_is_told_with_file_and_row(tmp_path: Path, text: str, message: str) -> None:
    with pytest.raises(TableError, match=re.escape(f"parts.toml: {message}")):
        read(tmp_path, GOOD + text)


def test_all_faults_of_all_rows_are_told_at_once(tmp_path: Path) -> None:
    text = (
        '[[part]]\nname = 1\ncolour = "blue"\nlength_mm = "long"\n'
        '[[part]]\nname = "b"\n'
        '[[part]]\nname = "c"\ncolour = "green"\nlength_mm = 0\n'
    )
    said = (
        "parts.toml: row 1 (1): name must be text; got 1; colour must be one of red, green; got 'blue'; "
        "length_mm must be a number; got 'long'; row 2 (b): missing colour, length_mm"
    )
    with pytest.raises(TableError) as error:
        read(tmp_path, text)
    assert str(error.value).startswith(said)
    assert str(error.value).endswith("row 3 (c): length_mm must be over 0; got 0")


def test_a_name_may_have_to_stand_once(tmp_path: Path) -> None:
    assert len(read(tmp_path, GOOD + GOOD)) == 2
    with pytest.raises(TableError, match=re.escape("parts.toml: part 2 (a): stands twice")):
        read(tmp_path, GOOD + GOOD, unique=True, word="part")
