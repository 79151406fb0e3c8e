"""The page that a report is written on: its parameters, its records, and what it shows and leaves behind.

A notebook opens one page, hands it to the functions of its report module, and finishes it. The page holds what was
asked and what was said; the analyses stay in the lower modules.
"""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pandas as pd

from ventbook import dictionary, wording
from ventbook.results import VERDICTS, Estimate
from ventbook.store import open_store

from . import show
from .files import csv_text, each_value, json_number, json_scalar, safe_name
from .parameters import ParameterError, check_parameters, find_report
from .period import Period, choose_period
from .scope import Scope, find_path
from .show import ColumnSpec, Shown
from .stamp import file_hash, make_stamp, stamp_pairs

if TYPE_CHECKING:
    from matplotlib.figure import Figure

TIERS = ("list", "describe", "compare", "model")


def open_page(name: str, parameters: Mapping[str, Any] | None = None) -> Page:
    """Opens the page of a report.

    ``name`` is the report's name (``quarterly-review``), ``parameters`` what was asked for by name. Unknown names,
    wrong values, a store or snapshot that isn't there, and a period or filter without any venting raise an
    InputError with one line.
    """
    spec = find_report(name)
    checked = check_parameters(spec, parameters or {})
    store = open_store(find_path(checked["store"]))
    snapshot = store.snapshot(checked["as_of"] or None)
    try:
        period = choose_period(checked["period"], checked["since"], checked["until"], today=snapshot.today)
    except ValueError as error:
        raise ParameterError(f"{name}: {error}") from None
    page = Page(spec=spec, parameters=checked, snapshot=snapshot, period=period)
    page.check_scope()
    return page


class Page(Scope):
    """One report in the making. Made by :func:`open_page`; its frames are described at :class:`Scope`."""

    def __init__(self, **scope: Any) -> None:
        super().__init__(**scope)
        self.findings: list[dict[str, Any]] = []
        self.tables: dict[str, dict[str, Any]] = {}
        self.figures: dict[str, dict[str, Any]] = {}
        self.answers: list[str] = []
        self.more_cautions: list[str] = []
        self._keys: set[str] = set()
        self._frames: dict[str, pd.DataFrame] = {}
        self._svg: dict[str, bytes] = {}

    def answer(self, *sentences: str) -> Shown:
        """The answer in two or three sentences, shown first; with a banner where limits are placeholders."""
        self.answers += [sentence for sentence in sentences if sentence]
        scope = f"{self.scope_words}. Records as of {self.today.isoformat()}."
        banner = ""
        if self.placeholder_steps:
            many = len(self.placeholder_steps)
            steps = wording.join_words(self.placeholder_steps)
            if many > 6:
                steps = f"{many} of {len(self.limits.steps)} steps (named under Cautions)"
            banner = f"Against a placeholder: no manual's limit was entered for {steps}."
            banner = f'<p class="vb-banner">{show.escape(banner)}</p>'
        body = "".join(f"<p>{show.escape(sentence)}</p>" for sentence in sentences if sentence)
        return Shown(
            f'<p class="vb-scope">{show.escape(scope)}</p>{banner}<div class="vb-answer">{body}</div>',
            "\n".join([scope, *sentences]),
        )

    def text(self, *sentences: str) -> Shown:
        """Sentences as paragraphs; everything in them is taken as text, never as mark-up."""
        kept = [sentence for sentence in sentences if sentence]
        return Shown(show.paragraphs(*kept), "\n".join(kept))

    def explain(self, title: str, text: str) -> Shown:
        """A folded "how this was worked out".

        ``text`` is the author's own prose: paragraphs split at blank lines, formulas between dollar signs. Values
        from records do not belong here.
        """
        return Shown(show.explanation_html(title, text), f"How this was worked out: {title}\n{text}")

    def caution(self, text: str) -> None:
        """Adds a caution of this page's own to those that :meth:`finish` shows."""
        if text not in self.more_cautions:
            self.more_cautions.append(text)

    def add_finding(
        self,
        id: str,
        estimate: Estimate,
        *,
        tier: str,
        sentence: str,
        group: Mapping[str, Any] | None = None,
        period: Period | None = None,
        verdict: str | None = None,
    ) -> Shown:
        """Keeps one number under its stable id and shows its sentence.

        ``group`` names what part of the records it is about (``{"site": "Harbour"}``; empty is all), ``period``
        defaults to the page's. Raises ValueError for an unknown tier or verdict and for a key that stands already.
        """
        if tier not in TIERS:
            raise ValueError(f"tier must be one of {', '.join(TIERS)}; got {tier!r}")
        if verdict is not None and verdict not in VERDICTS:
            raise ValueError(f"verdict must be one of {', '.join(VERDICTS)} or None; got {verdict!r}")
        period = period or self.period
        labels = {str(key): json_scalar(value) for key, value in (group or {}).items()}
        if "technician" in labels:
            raise ValueError("a finding is never about one technician")
        start, end = period.start.isoformat(), period.end.isoformat()
        key = json.dumps([id, labels, start, end], sort_keys=True)
        if key in self._keys:
            raise ValueError(f"finding {id} {labels} {start} to {end} stands already")
        self._keys.add(key)
        self.findings.append(
            {
                "id": id,
                "group": labels,
                "period_start": start,
                "period_end": end,
                "estimate": json_number(estimate.estimate),
                "low": json_number(estimate.low),
                "high": json_number(estimate.high),
                "level": estimate.level,
                "unit": estimate.unit,
                "n": estimate.n,
                "clusters": estimate.clusters,
                "tier": tier,
                "state": estimate.state,
                "verdict": verdict,
                "sentence": wording.clean_text(sentence, longest=2000),
                "method": estimate.method,
            }
        )
        name = show.anchor(f"{id} {' '.join(map(str, labels.values()))}")
        return Shown(f'<p class="vb-finding" data-finding="{name}">{show.escape(sentence)}</p>', sentence)

    def add_table(
        self,
        name: str,
        frame: pd.DataFrame,
        *,
        title: str,
        columns: Mapping[str, Sequence[str] | str | ColumnSpec] | None = None,
        note: str = "",
        rows: int = show.ROWS_SHOWN,
    ) -> Shown:
        """Keeps a table under its stable name and shows it.

        ``columns`` picks, in order, the columns that readers see: ``{column: (header, unit, format)}`` (see
        :class:`~ventbook.pages.show.ColumnSpec`; a bare text is the header; None shows all). The CSV file carries all columns of
        ``frame`` under their own names, in canonical units. Readers see the first ``rows`` rows.
        """
        if name in self.tables:
            raise ValueError(f"table {name} stands already")
        if safe_name(name) != name:
            raise ValueError(f"a table's name is letters, digits, _ and -; got {name!r}")
        if "technician" in frame.columns:
            raise ValueError(f"table {name}: technician codes stay out of reports; drop or group the column")
        specs = _column_specs(frame, columns)
        if missing := [column for column in specs if column not in frame.columns]:
            raise ValueError(f"table {name}: columns {', '.join(missing)} are not in the frame")
        frame = frame.reset_index(drop=True)
        self._frames[name] = frame
        self.tables[name] = {
            "title": title,
            "note": note,
            "columns": [
                {
                    "name": column,
                    "header": spec.header,
                    "unit": spec.unit,
                    "format": spec.format,
                    "number": show.is_number_column(frame, column, spec),
                }
                for column, spec in specs.items()
            ],
        }
        return Shown(
            show.table_html(name, frame, specs, title=title, units=self.units, note=note, rows=rows),
            show.table_text(frame, specs, title=title, units=self.units),
        )

    def add_figure(self, name: str, figure: Figure, *, alt: str, caption: str) -> Shown:
        """Keeps a figure under its stable name and shows it.

        ``alt`` says in words what the figure shows, for readers who don't see it; it can't be empty. ``caption``
        stands below.
        """
        from ventbook.plots.style import svg_bytes

        if name in self.figures:
            raise ValueError(f"figure {name} stands already")
        if safe_name(name) != name:
            raise ValueError(f"a figure's name is letters, digits, _ and -; got {name!r}")
        if not alt.strip():
            raise ValueError(f"figure {name}: alt must say what the figure shows")
        alt, caption = (wording.clean_text(words, longest=2000) for words in (alt, caption))
        self._svg[name] = svg_bytes(figure)
        self.figures[name] = {"alt": alt, "caption": caption}
        return Shown(
            show.figure_html(name, self._svg[name], alt=alt, caption=caption), f"Figure: {caption}\n{alt}"
        )

    # -- the end -------------------------------------------------------------------------------------------------------

    def cautions(self) -> list[str]:
        """The cautions that apply to this page, the general ones first."""
        words = {"steps": wording.join_words(self.placeholder_steps), "period": self.period.words}
        applies = {
            "always": True,
            "work": True,
            "placeholder": bool(self.placeholder_steps),
            "provisional": self.period.provisional,
        }
        chosen = []
        for row in dictionary.read_toml(dictionary.DATA / "cautions.toml")["caution"]:
            if applies[row["when"]] and ("*" in row["reports"] or self.name in row["reports"]):
                chosen.append(row["text"].format(**words))
        return chosen + self.more_cautions

    def stamp(self) -> dict[str, Any]:
        """What the page was made from."""
        limits_path = self.limits_file or dictionary.DATA / "limits.toml"
        files = self.snapshot.sources()[["file", "sha256", "intake"]].drop_duplicates()
        sources = [{str(key): str(value) for key, value in row.items()} for row in files.to_dict("records")]
        return make_stamp(
            report=self.name,
            parameters={
                **{name: value for name, value in self.parameters.items() if name != "out"},
                "as_of": int(self.snapshot.number),
            },
            snapshot=int(self.snapshot.number),
            today=self.today.isoformat(),
            sources=sources,
            limits={"revision": self.limits.revision(), "sha256": file_hash(limits_path)},
        )

    def finish(self) -> Shown:
        """Shows all numbers, the cautions and the stamp, and writes the page's files where ``out`` is set."""
        stamp = self.stamp()
        defaults = {name: parameter.default for name, parameter in self.spec.parameters.items()}
        pairs = stamp_pairs(stamp, defaults)
        cautions = self.cautions()
        if self.parameters["out"]:
            self._write(Path(self.parameters["out"]), stamp, pairs, cautions)
        return Shown(
            f'<h2 id="numbers">All numbers of this page</h2>{show.findings_html(self.findings, units=self.units, placeholder=bool(self.placeholder_steps))}'
            f'<h2 id="cautions">Cautions</h2>{show.list_html(cautions, "vb-cautions")}'
            f'<h2 id="stamp">Made from</h2>{show.pairs_html(pairs, title="What this page was made from")}',
            "\n".join(["Cautions", *cautions, "Made from", *(f"{a}: {b}" for a, b in pairs)]),
        )

    def _rows(self, name: str) -> list[list[Any]]:
        """A table's shown columns as rows that JSON can hold."""
        frame = self._frames[name]
        names = [column["name"] for column in self.tables[name]["columns"]]
        columns = [each_value(frame[name], partial(json_scalar, longest=10_000)) for name in names]
        return [list(row) for row in zip(*columns, strict=True)]

    def _write(
        self, out: Path, stamp: dict[str, Any], pairs: list[tuple[str, str]], cautions: list[str]
    ) -> None:
        """findings.json, tables/*.csv, figures/*.svg, and contents.json for the exports."""
        for folder in ("tables", "figures"):
            (out / folder).mkdir(parents=True, exist_ok=True)
        for name, frame in self._frames.items():
            (out / "tables" / f"{name}.csv").write_text(csv_text(frame), encoding="utf-8", newline="")
        for name, svg in self._svg.items():
            (out / "figures" / f"{name}.svg").write_bytes(svg)
        findings = {
            "report": self.name,
            "version": 1,
            "parameters": {n: v for n, v in stamp["parameters"].items() if n not in ("store", "limits")},
            "snapshot": stamp["snapshot"],
            "findings": self.findings,
            "tables": {name: f"tables/{name}.csv" for name in self._frames},
        }
        contents = {
            "title": self.title,
            "scope": self.scope_words,
            "units": self.units,
            "period": {
                "label": self.period.label,
                "start": self.period.start.isoformat(),
                "end": self.period.end.isoformat(),
            },
            "answers": self.answers,
            "tables": {name: {**table, "rows": self._rows(name)} for name, table in self.tables.items()},
            "figures": self.figures,
            "cautions": cautions,
            "stamp": stamp,
            "stamp_pairs": pairs,
        }
        for file, content in (("findings.json", findings), ("contents.json", contents)):
            text = json.dumps(content, ensure_ascii=False, indent=1, allow_nan=False)
            (out / file).write_text(text + "\n", encoding="utf-8", newline="")


def _column_specs(
    frame: pd.DataFrame, columns: Mapping[str, Sequence[str] | str | ColumnSpec] | None
) -> dict[str, ColumnSpec]:
    if columns is None:
        return {str(column): show.guess_spec(str(column)) for column in frame.columns}
    specs = {}
    for column, spec in columns.items():
        if isinstance(spec, ColumnSpec):
            specs[column] = spec
        else:
            specs[column] = ColumnSpec(spec) if isinstance(spec, str) else ColumnSpec(*spec)
    return specs
