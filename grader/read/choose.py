"""One sheet -> its tables: every shape proposes, and the proposal that explains most is extracted."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from functools import partial

from grader.columns import FIELDS
from grader.read.extract import extract
from grader.read.layout_spec import TableSpec
from grader.read.shapes import across, down, form, long
from grader.read.shapes.folded import Folded, folded, with_places
from grader.read.shapes.grid import Grid
from grader.read.shapes.pairs import shared_above
from grader.read.shapes.proposal import Proposal
from grader.read.shapes.sections import in_sections
from grader.read.shapes.tables import Note, Recognised, both
from grader.read.shapes.unrolled import Listed, Matrix, joined, matrices
from grader.read.words.labels import READINGS, label, may_be_reading

MOST_CELLS = 2_000_000  # of a sheet that is looked at from its side too
_PENALTY = 2  # a figure that stays unexplained counts against a proposal as much as two that are explained


def read_sheet(grid: Grid, specs: list[TableSpec]) -> Recognised:
    """Read one sheet.

    specs : what layout files say of it. Where one gives the row of the headings, only the tables that they
            describe are read; else they add to what is found.
    """
    grid = folded(grid)
    placed = [s for s in specs if max(s.heading_row, s.first_row) >= 0 or not _is_down(s)]
    if placed:
        proposals, notes = _placed(grid, placed)
    else:
        proposals, notes = choose(grid, specs[0] if specs else None), []
        if specs and not proposals and specs[0].sheet != "*":
            notes.append(specs[0].misfit(grid.name, "no table was found on the sheet"))
    made = extract(map(with_places, proposals))
    return made._replace(notes=[*notes, *made.notes])


def choose(grid: Grid, spec: TableSpec | None) -> list[Proposal]:
    """The proposals that explain most filled cells and leave fewest figures of their own unexplained, section by section."""
    return in_sections(grid, partial(_choose, spec=spec))


def _choose(grid: Grid, spec: TableSpec | None) -> list[Proposal]:
    best: list[Proposal] = []
    most = 0
    for made in filter(None, _proposed(grid, spec)):
        weight, missed = weigh(made)
        if not best or weight > most:
            best, most = made, weight
        if not missed and any(p.tests for p in made):
            break
    return best


def _proposed(grid: Grid, spec: TableSpec | None) -> Iterator[list[Proposal]]:
    """What the shapes propose, each only when it is asked for."""
    plain = not isinstance(grid, Folded)
    if plain:
        yield crossed(matrices(grid))
        yield long.proposals(grid, spec)
    found = down.headings(grid)
    if found and not down.are_labels_of_a_form(grid, found):
        yield down.proposals(grid, found, [spec] * len(found))
    if plain and len(grid.rows) * grid.width <= MOST_CELLS:
        yield across.proposals(grid, spec)
        yield form.proposals(grid, spec)


def weigh(made: list[Proposal]) -> tuple[int, int]:
    """(weight of proposals for one sheet, figures that they leave unexplained or labels that they take for values)."""
    explained = sum(len(v) - v.count(None) for p in made for v in p.values.values()) + sum(len(p.given) for p in made)
    missed = sum(p.missed for p in made) + _unused(made)
    for p in made:
        labels, tests = _labels_among(p)
        missed += labels
        explained -= sum(v[test] is not None for v in p.values.values() if v for test in tests)
    return explained - _PENALTY * missed, missed


def _labels_among(p: Proposal) -> tuple[int, set[int]]:
    """How many labels a proposal takes for readings; where most of its tests hold labels of readings, how many, and which tests."""
    found: list[tuple[str, int, str]] = []
    for field, values in ((c.field, p.values.get(c.at, ())) for c in p.lines if c.field != "remarks"):
        if str not in map(type, values):
            continue
        known = {v: known.field for v in set(values) if type(v) is str and (known := label(v)) is not None}
        named = {v: other for v, other in known.items() if other not in ("", field)}
        found += [(field, test, named[v]) for test, v in enumerate(values) if v in named] if named else []
    tests = {test for _, test, named in found if named in READINGS}
    if 2 * len(tests) > len(p.tests):  # it takes a form, or a table seen from its side, for its own
        return sum(f in READINGS or named in READINGS for f, _, named in found), tests
    return sum(f in READINGS for f, *_ in found), set()


def _unused(made: list[Proposal]) -> int:
    """How many readings stand unused above the tests, where fewer are read of these: they are of a form."""
    above = [n.params["label"] for p in made for n in p.notes if n.code == "label_not_used" and may_be_reading(n.value)]
    found = [known for text in above if (known := label(text)) is not None and known.field in READINGS]
    read = {c.field for p in made for c in p.lines if any(v is not None for v in p.values.get(c.at, ()))} & READINGS
    return len(found) if len(found) > len(read) else 0


def crossed(blocks: Sequence[Matrix | Listed], spec: TableSpec | None = None) -> list[Proposal]:
    """The tests of blocks that each hold one parameter, joined by outlet and date; with what stands above the blocks."""
    grid = joined(blocks)
    if grid is None:
        return []
    above = [shared_above(m.grid, *m.above)[0] for m in blocks]
    given = {f: one for said in reversed(above) for f, one in said.items()}
    for f, one in given.items():  # two sheets that differ: neither is read; a name may be one of several
        other = next((said[f].value for said in above if f in said and said[f].value != one.value), None)
        if other is not None and FIELDS[f].kind != "text":
            given[f] = one._replace(value=both(one.value, other))
    return [p._replace(given=given) for p in long.proposals(grid, spec)]


def _is_down(spec: TableSpec) -> bool:
    return spec.orientation in ("", "down") and not any(f.row >= 0 for f in spec.fields.values())


def _placed(grid: Grid, specs: list[TableSpec]) -> tuple[list[Proposal], list[Note]]:
    """The tables that layout files place, and what in them does not fit."""
    made: list[Proposal] = []
    notes: list[Note] = []
    for spec in specs:
        if _is_down(spec):
            continue
        if spec.is_form:
            here = form.proposals(grid, spec)
        elif spec.orientation == "long":
            here = in_sections(grid, partial(long.proposals, spec=spec))
        else:
            here = across.proposals(grid, spec._replace(orientation="across"))
        made += here
        if not here:
            notes.append(spec.misfit(grid.name, "nothing on the sheet is built as it says"))
    found, fits, wrong = down.placed(grid, [s for s in specs if _is_down(s)])
    made += down.proposals(grid, found, fits)
    return made, [*notes, *wrong]
