"""Pages of what an analyst calls from Python, from the docstrings, into ``docs/``; and the columns of the two tables."""

import html
import importlib
import shutil
from pathlib import Path

import pdoc

import ventbook
from ventbook.tables import describe_columns

ROOT = Path(__file__).resolve().parents[1]
OUT = ROOT / "docs"
ROOMS = (
    "tables",
    "tables.units",
    "model",
    "physics",
    "physics.oil",
    "physics.priming",
    "physics.lifter",
    "physics.gauge",
    "statistics",
    "statistics.rates",
    "statistics.waiting_times",
    "statistics.trends",
    "statistics.causes",
)
PAGE = """<!doctype html><html lang="en"><head><meta charset="utf-8"><title>{title}</title><style>
body {{ font: 16px/1.5 sans-serif; margin: 2em auto; max-width: 72em; padding: 0 1em; }}
td, th {{ text-align: left; vertical-align: top; padding: .2em .8em .2em 0; border-bottom: 1px solid #ddd; }}
table {{ border-collapse: collapse; }}
</style></head><body>{body}</body></html>
"""


def write_page(name: str, title: str, body: str) -> None:
    (OUT / name).write_text(PAGE.format(title=html.escape(title), body=body), "utf-8")


def write_columns() -> None:
    parts = ["<h1>Columns of the two analysis tables</h1>"]
    for table, what in (("ventings", "one row a venting"), ("lifters", "one row a lifter and venting")):
        frame = describe_columns(table).reset_index()
        parts += [f"<h2>read_{table}: {what}</h2>", frame.to_html(index=False, border=0)]
    parts.append('<p><a href="index.html">All pages</a></p>')
    write_page("columns.html", "Columns of the analysis tables", "\n".join(parts))


def main() -> None:
    shutil.rmtree(OUT, ignore_errors=True)
    for name in ventbook.__all__:
        getattr(ventbook, name)  # names are loaded at their first use, and pages show what is loaded
    pdoc.render.configure(docformat="numpy", show_source=False)
    others = "|".join(room.replace(".", r"\.") for room in ROOMS)
    # a package that only holds rooms brings them along
    rooms = [f"ventbook.{room}" for room in ROOMS if not room.startswith(("physics.", "statistics."))]
    pdoc.pdoc("ventbook", *rooms, rf"!ventbook\.(?!({others})$)", output_directory=OUT)
    write_columns()
    links = [
        '<li><a href="ventbook.html">ventbook</a>: open a store, read the tables, shares, pages, reports</li>'
    ]
    links.append('<li><a href="columns.html">columns of the two analysis tables</a></li>')
    for room in ROOMS:
        words = (importlib.import_module(f"ventbook.{room}").__doc__ or "").strip().split("\n\n")[0]
        page = f"ventbook/{room.replace('.', '/')}.html"
        links.append(f'<li><a href="{page}">ventbook.{room}</a>: {html.escape(words)}</li>')
    write_page("index.html", "ventbook", f"<h1>ventbook from Python</h1><ul>{''.join(links)}</ul>")
    print(OUT / "index.html")


if __name__ == "__main__":
    main()
