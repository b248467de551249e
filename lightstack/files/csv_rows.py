"""Rows of a CSV table, with the lines that they stand on."""

from __future__ import annotations

import csv
import io
from pathlib import Path

from lightstack.errors import LightstackError, MissingInput, UnreadableInput
from lightstack.files.limits import check_file_size

__all__ = ["read_rows"]


def read_rows(path: Path) -> list[tuple[int, list[str]]]:
    """Read a CSV table, UTF-8: the line and the cells of every row that holds something.

    Raises MissingInput; UnreadableInput where it is no table or too large to be one.
    """
    try:
        check_file_size(path, "TABLE_BYTES")
        reader = csv.reader(io.StringIO(path.read_text(encoding="utf-8-sig"), newline=""))
        return [(reader.line_num, row) for row in reader if any(cell.strip() for cell in row)]
    except LightstackError:
        raise
    except FileNotFoundError:
        raise MissingInput(f"{path}: nothing is there; check the path") from None
    except IsADirectoryError:
        raise UnreadableInput(f"{path}: is a folder; name a table in it") from None
    except UnicodeDecodeError:
        raise UnreadableInput(f"{path}: is not UTF-8 text; save it as a CSV table in UTF-8") from None
    except (OSError, csv.Error) as error:
        raise UnreadableInput(f"{path}: cannot be read as a table ({error}); expected CSV, UTF-8") from error
