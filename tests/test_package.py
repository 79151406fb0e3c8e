"""The built wheel, away from the checkout: the way from demo to a verified report with the packed tables."""

import os
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[1]


@pytest.fixture(scope="module")
def installed(tmp_path_factory) -> Path:
    """The wheel, built from a copy of the sources and unpacked into a folder of its own."""
    made = tmp_path_factory.mktemp("wheel")
    source = made / "source"
    source.mkdir()
    for folder, pattern in (("lib", "**/*"), ("data", "*.toml"), ("notebooks", "*.ipynb")):
        for file in (ROOT / folder).glob(pattern):
            if file.is_file() and "__pycache__" not in file.parts and ".egg-info" not in str(file):
                target = source / file.relative_to(ROOT)
                target.parent.mkdir(parents=True, exist_ok=True)
                shutil.copy(file, target)
    for name in ("pyproject.toml", "setup.py", "MANIFEST.in", "README.md", "LICENSE"):
        shutil.copy(ROOT / name, source / name)
    pip = [sys.executable, "-m", "pip", "--quiet", "--disable-pip-version-check"]
    subprocess.run(
        [*pip, "wheel", "--no-deps", "--no-build-isolation", "--wheel-dir", str(made), str(source)],
        check=True,
    )
    (wheel,) = made.glob("*.whl")
    subprocess.run([*pip, "install", "--no-deps", "--target", str(made / "site"), str(wheel)], check=True)
    return made / "site"


def test_wheel_goes_from_demo_to_a_verified_report(installed, tmp_path) -> None:
    environment = {**os.environ, "PYTHONPATH": str(installed)}

    def ventbook(*words: str) -> str:
        run = subprocess.run(
            [sys.executable, "-m", "ventbook", *words],
            cwd=tmp_path,
            env=environment,
            capture_output=True,
            text=True,
            check=False,
        )
        assert run.returncode == 0, f"{words}: {run.stdout}{run.stderr}"
        return run.stdout

    where = subprocess.run(
        [sys.executable, "-c", "from ventbook.shipped import DATA; print(DATA)"],
        cwd=tmp_path,
        env=environment,
        capture_output=True,
        text=True,
        check=True,
    )
    assert Path(where.stdout.strip()) == installed / "ventbook" / "data"
    ventbook("demo", "fleet", "--ventings", "80")
    ventbook("forms", "forms.xlsx")
    for quarter in sorted(p for p in (tmp_path / "fleet").glob("20*") if p.is_dir()):
        ventbook("intake", str(quarter), "--store", "store")
    ventbook("report", "records", "lifter-gaps", "--store", "store", "--out", "reports")
    (folder,) = (tmp_path / "reports" / "lifter-gaps").iterdir()
    assert ventbook("verify", str(folder)).startswith("the same: ")
