"""The run-up sheet: one logged start with the steps of the procedure marked, for any page that looks at a venting."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt
import pandas as pd

from ventbook.document import plotting, wording
from ventbook.document.plotting import mark_limit, series_style, thin_curve
from ventbook.document.sequence import Blocks
from ventbook.model import traces
from ventbook.reports.page import Page
from ventbook.tables import units

if TYPE_CHECKING:
    from matplotlib.axes import Axes


Floats = npt.NDArray[np.float64]
BANDS = {
    "first_hold_speed": ("first hold", "first_hold", "seconds_first_hold"),
    "warmup_speed": ("warm-up", "", "seconds_warmup"),
}


@dataclass(frozen=True)
class Step:
    """A speed band of the procedure, in the figure's unit: kept where ``kept`` is True, None where not known."""

    name: str
    low: float
    high: float
    kept: bool | None


def draw_speed(ax: Axes, t: Floats, speed: Floats, steps: Sequence[Step]) -> Axes:
    """Speed over time; each step's band is shaded and named, and says whether it was kept."""
    _draw_line(ax, t, speed, 0)
    for place, step in enumerate(steps):
        ax.axhspan(step.low, step.high, color="0.85", zorder=0)
        word = {True: "kept", False: "not kept", None: "not known"}[step.kept]
        above = place % 2 == 1
        ax.text(
            0.99,
            step.high if above else step.low,
            f"{step.name}: {word}",
            transform=ax.get_yaxis_transform(),
            ha="right",
            va="bottom" if above else "top",
            fontsize=9,
        )
    if steps:
        ax.set_ylim(top=1.12 * max([*(step.high for step in steps), float(np.nanmax(speed, initial=0.0))]))
    ax.set_ylabel("speed [rpm]")
    return ax


def draw_pressure(
    ax: Axes,
    t: Floats,
    pressure: Floats,
    *,
    threshold: float,
    unit: str,
    label: str,
    start: float | None,
    shown: tuple[float, float] | None,
) -> Axes:
    """Oil pressure over time with the threshold, the engine's start, and where pressure showed (low, high]."""
    _draw_line(ax, t, pressure, 1)
    mark_limit(ax, threshold, label)
    if start is not None:
        ax.axvline(start, color="0.4", linewidth=1.0, linestyle=":")
    if shown is not None:
        ax.axvspan(*shown, color="0.75", zorder=0)
    ax.set_ylabel(f"oil pressure [{unit}]")
    return ax


def draw_temperature(ax: Axes, t: Floats, temperature: Floats, *, warm: float, unit: str, label: str) -> Axes:
    """Oil temperature over time with the end of warm-up."""
    _draw_line(ax, t, temperature, 2)
    mark_limit(ax, warm, label)
    ax.set_ylabel(f"oil temperature [{unit}]")
    ax.set_xlabel("time in the trace [s]")
    return ax


def _draw_line(ax: Axes, t: Floats, values: Floats, index: int) -> None:
    style = {**series_style(index), "marker": "", "linewidth": 1.1, "linestyle": "-"}
    ax.plot(*thin_curve(t, values), **style)


def traced_starts(page: Page, venting_id: str) -> list[int]:
    """Numbers of the starts of a venting that were logged."""
    features = page.records.get("start_features")
    if features is None or features.empty:
        return []
    return sorted(int(n) for n in features.loc[features["venting_id"] == venting_id, "start_no"])


def run_up_sheet(page: Page, venting_id: str, start_no: int = 1) -> Blocks:
    """The figure of one start, or a sentence where no trace stands."""
    job = page.all_jobs.loc[page.all_jobs["venting_id"] == venting_id]
    if job.empty or start_no not in traced_starts(page, venting_id):
        return page.text(f"No trace of start {start_no} of venting {venting_id} was handed in.")
    samples = traces.read_trace(page.snapshot.files("samples"), venting_id, start_no)
    features = page.records["start_features"]
    row = features[(features["venting_id"] == venting_id) & (features["start_no"] == start_no)].iloc[0]
    venting = job.iloc[0]
    if venting["trace_left_out"]:  # read under other limits: one start is read again at once
        row = _read_again(page, job, samples, start_no)
    day = venting["date"].date()

    def limit(step: str, end: str) -> float | None:
        found = page.limits.find(step, str(venting["engine_type"]), day)
        return getattr(found, end) if found is not None else None

    own = venting["pressure_threshold_bar"]
    threshold = own if pd.notna(own) else limit("pressure_threshold", "low")
    warm = limit("warmup_end_oil_temperature", "low")
    t = samples["t_s"].to_numpy()
    pressure, bar = units.display(samples["oil_pressure_bar"].to_numpy(), "bar", page.units)
    temperature, degree = units.display(samples["oil_temperature_degC"].to_numpy(), "degC", page.units)
    figure, axes = plotting.new_figure(rows=3, height=6.2, sharex=True)
    draw_speed(axes[0], t, samples["speed_rpm"].to_numpy(), _steps(row, limit))
    start = float(row["start_t"]) if pd.notna(row["start_t"]) else None
    shown = _shown_between(row, start)
    if threshold is not None:
        words = wording.number(float(threshold), "bar", units=page.units)
        draw_pressure(
            axes[1],
            t,
            pressure,
            threshold=float(units.display(float(threshold), "bar", page.units)[0]),
            unit=bar.label,
            label=f"counts as shown: {words}",
            start=start,
            shown=shown,
        )
    if warm is not None:
        words = wording.number(float(warm), "degC", units=page.units)
        draw_temperature(
            axes[2],
            t,
            temperature,
            warm=float(units.display(float(warm), "degC", page.units)[0]),
            unit=degree.label,
            label=f"warm: {words}",
        )
    figure.subplots_adjust(left=0.11, right=0.98, top=0.98, bottom=0.08, hspace=0.12)
    said = _sentence(row, start_no)
    return page.add_figure(
        f"run_up_{_safe(venting_id)}_{start_no}",
        figure,
        alt=f"Speed, oil pressure and oil temperature over time. {said}",
        caption=f"Start {start_no} of venting {venting_id} as logged. {said} Grey bands: steps of the procedure; "
        "dotted line: engine starts; grey strip: pressure showed within it.",
    )


def _read_again(page: Page, job: pd.DataFrame, samples: pd.DataFrame, start_no: int) -> pd.Series:
    """The features of one start under the limits in force."""
    own = job["pressure_threshold_bar"].to_numpy(dtype=float)
    steps = traces.start_settings(job, among=page.limits, threshold_bar=own)
    channels = [samples[name] for name in ("t_s", "speed_rpm", "oil_pressure_bar", "oil_temperature_degC")]
    return traces.start_features([0, len(samples)], *channels, start_no=[start_no], steps=steps).iloc[0]


def _safe(text: str) -> str:
    return "".join(c if c.isalnum() else "_" for c in text)


def _steps(row: pd.Series, limit) -> list[Step]:
    steps = []
    for band, (name, least, seconds) in BANDS.items():
        low, high = limit(band, "low"), limit(band, "high")
        if low is None or high is None:
            continue
        need = limit(least, "low") if least else 0.0
        kept = None if pd.isna(row[seconds]) else bool(row[seconds] > 0 and row[seconds] >= (need or 0.0))
        steps.append(Step(name, low, high, kept))
    return steps


def _shown_between(row: pd.Series, start: float | None) -> tuple[float, float] | None:
    if start is None or pd.isna(row["time_low_s"]) or not float(row["time_high_s"]) < float("inf"):
        return None
    return start + float(row["time_low_s"]), start + float(row["time_high_s"])


def _sentence(row: pd.Series, start_no: int) -> str:
    if start_no == 0:
        turned = row["rotations_to_pressure"]
        found = (
            f"Pressure showed after {turned:.0f} rotations." if pd.notna(turned) else "No pressure showed."
        )
    elif pd.notna(row["time_to_pressure_s"]):
        found = f"Pressure showed {row['time_to_pressure_s']:.1f} s after the start."
    else:
        found = "No pressure showed."
    dips = int(row["dips"]) if pd.notna(row["dips"]) else 0
    if dips:
        found += f" It fell under the threshold {wording.count(dips, 'time')} afterwards, {row['dip_s']:.1f} s in all."
    flags = [] if pd.isna(row["flags"]) else str(row["flags"]).split()
    if "cut_short" in flags:
        found += " The trace or the engine ended within the second after that."
    faults = ", ".join(name.replace("_", " ") for name in flags if name != "cut_short")
    return found + (f" Channel faults: {faults}." if faults else "")
