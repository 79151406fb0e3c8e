"""A page from its blocks: one title, headings in order, an anchor for everything that can be linked, the team's comments."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace

from ventbook.document.blocks import Block, Closing, Heading, Remark, block_anchor, make_words, plain_words

HOMELESS = "Comments whose section is no longer on this page"


@dataclass(frozen=True)
class Document:
    """A page in order. ``parts`` are anchors (empty where there is none) and blocks; ``sections`` are anchors and titles of
    its second-level headings, as the list of contents has them.
    """

    title: str
    parts: tuple[tuple[str, Block], ...]
    sections: tuple[tuple[str, str], ...]


def arrange_page(
    blocks: Iterable[Block], *, title: str, remarks: Mapping[str, Sequence[Remark]] | None = None
) -> Document:
    """The page of some blocks.

    ``title`` stands where the blocks have no first-level heading of their own at the start. ``remarks`` are the team's
    comments by the anchor of their section, at whose end they are set; those whose section isn't there any more come last.
    """
    ordered = _drop_empty_sections(_order_headings(blocks, title))
    first = ordered[0]
    assert isinstance(first, Heading)
    parts = _set_remarks(_name_all(ordered), remarks or {})
    sections = tuple(
        (anchor, plain_words(block.words))
        for anchor, block in parts
        if isinstance(block, Heading) and block.level == 2
    )
    return Document(plain_words(first.words), tuple(parts), sections)


def _order_headings(blocks: Iterable[Block], title: str) -> list[Block]:
    """One first-level heading, and no level left out on the way down."""
    kept = [block for block in blocks if not isinstance(block, Closing)]
    first = next((block for block in kept if isinstance(block, Heading)), None)
    if first is None or first.level != 1 or not plain_words(first.words).strip():
        kept.insert(0, Heading(make_words(title), 1))
    made: list[Block] = []
    last = 0
    for block in kept:
        if isinstance(block, Heading):
            level = 1 if last == 0 else min(max(block.level, 2), last + 1, 4)
            block, last = replace(block, level=level), level
        made.append(block)
    if not isinstance(made[0], Heading):
        # What a notebook shows before its title comes after it on the page.
        place = next(place for place, block in enumerate(made) if isinstance(block, Heading))
        made.insert(0, made.pop(place))
    return made


def _drop_empty_sections(blocks: Sequence[Block]) -> list[Block]:
    """The blocks without second-level headings that nothing follows."""

    def is_section(block: Block) -> bool:
        return isinstance(block, Heading) and block.level == 2

    return [
        block
        for place, block in enumerate(blocks)
        if not is_section(block) or (place + 1 < len(blocks) and not is_section(blocks[place + 1]))
    ]


def _name_all(blocks: Sequence[Block]) -> list[tuple[str, Block]]:
    """Every block with its anchor; none stands twice."""
    seen: set[str] = set()
    made = []
    for block in blocks:
        base = "" if isinstance(block, Heading) and block.level == 1 else block_anchor(block)
        name, number = base, 2
        while name and name in seen:
            name, number = f"{base}-{number}", number + 1
        seen.add(name)
        made.append((name, block))
    return made


def _set_remarks(
    parts: list[tuple[str, Block]], remarks: Mapping[str, Sequence[Remark]]
) -> list[tuple[str, Block]]:
    """Each remark at the end of its section, an inner section's before those of the section around it."""
    places = {name: place for place, (name, block) in enumerate(parts) if isinstance(block, Heading)}
    for section in sorted(set(remarks) & set(places), key=places.__getitem__, reverse=True):
        end = _section_end(parts, places[section])
        parts = [*parts[:end], *(("", remark) for remark in remarks[section]), *parts[end:]]
    homeless = [remark for section in remarks if section not in places for remark in remarks[section]]
    if homeless:
        parts = [
            *parts,
            ("comments", Heading(make_words(HOMELESS), 2)),
            *(("", remark) for remark in homeless),
        ]
    return parts


def _section_end(parts: Sequence[tuple[str, Block]], place: int) -> int:
    """Where the section of a heading ends: before the next heading that is not below it."""
    heading = parts[place][1]
    assert isinstance(heading, Heading)
    for end in range(place + 1, len(parts)):
        block = parts[end][1]
        if isinstance(block, Heading) and block.level <= heading.level:
            return end
    return len(parts)
