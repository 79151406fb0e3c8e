"""Builds the tables and notebooks of the top level into the package; everything else stands in pyproject.toml."""

from pathlib import Path
from shutil import copyfile

from setuptools import setup
from setuptools.command.build_py import build_py

PACKED = {"data": "*.toml", "notebooks": "*.ipynb"}


class BuildWithTables(build_py):
    def run(self) -> None:
        super().run()
        if self.editable_mode:
            return
        for folder, pattern in PACKED.items():
            target = Path(self.build_lib, "ventbook", folder)
            target.mkdir(parents=True, exist_ok=True)
            for file in sorted(Path(folder).glob(pattern)):
                copyfile(file, target / file.name)


setup(cmdclass={"build_py": BuildWithTables})
