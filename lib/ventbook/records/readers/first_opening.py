"""Opens one file under bounds on memory and time; run as a process of its own, see ``bounds.open_in_child``.

Says how many cells the largest sheet spans. Exit codes: 0 opened, 2 the library refuses it, 3 out of memory,
4 the library gave up in a way of its own.
"""

from __future__ import annotations

import sys
from contextlib import suppress


def open_workbook(path: str) -> int:
    """Cells that the largest sheet spans."""
    import python_calamine as calamine

    book = calamine.load_workbook(path)
    most = 0
    for name in book.sheet_names:
        sheet = book.get_sheet_by_name(name)
        most = max(most, sheet.total_height * sheet.total_width, sheet.height * sheet.width)
    return most


def open_parquet(path: str, tried: int) -> int:
    """Nothing but that the first ``tried`` bytes that it unpacks to can be read."""
    import pyarrow.parquet as pq

    with pq.ParquetFile(path) as file:
        for batch in file.iter_batches(65_536):
            tried -= batch.nbytes
            if tried < 0:
                break
    return 0


def main(kind: str, path: str, memory: str, seconds: str, tried: str) -> int:
    """Bound this process, open the file, say what it spans."""
    with suppress(ImportError, ValueError, OSError):  # a system without such bounds
        import resource

        resource.setrlimit(resource.RLIMIT_AS, (int(memory), int(memory)))
        resource.setrlimit(resource.RLIMIT_CPU, (int(seconds), int(seconds) + 1))
        resource.setrlimit(resource.RLIMIT_CORE, (0, 0))
    try:
        print(open_workbook(path) if kind == "workbook" else open_parquet(path, int(tried)))
    except MemoryError:
        return 3
    except Exception as error:
        return 3 if "emory" in type(error).__name__ or "malloc" in str(error) else 2
    except BaseException:  # a panic of the reader is no Exception
        return 4
    return 0


if __name__ == "__main__":
    sys.exit(main(*sys.argv[1:]))
