"""A file on the disk and its bytes are read alike: pandas parts a large file (5 MB and more) among the processors, and reads bytes in one go."""

import numpy as np
import pytest

from kernel_lib.logs.read import read_log

COLUMNS, ROWS = 24, 40_000


@pytest.fixture(scope="module")
def lines():
    """A header and rows of numbers, 6 MB."""
    rng = np.random.default_rng(11)
    cells = [np.char.mod("%.2f", np.arange(ROWS) / 100)]
    cells += [np.char.mod("%.1f" if k % 2 else "%.0f", rng.normal(2000, 300, ROWS)) for k in range(1, COLUMNS)]
    rows = [",".join(row) for row in zip(*(c.tolist() for c in cells), strict=True)]
    return [",".join(f"channel {k}" for k in range(COLUMNS)), *rows]


def _changed(lines, at, change):
    out = list(lines)
    out[at] = change(out[at])
    return out


UGLY = {
    "plain": "\n".join,
    "windows line ends": lambda x: "\r\n".join(x) + "\r\n",
    "one return alone": lambda x: "\n".join(x).replace("\n", "\r", 1),
    "mixed line ends": lambda x: "\r\n".join(x[:9]) + "\r\n" + "\n".join(x[9:]),
    "byte order mark": lambda x: "\ufeff" + "\n".join(x) + "\n",
    "a long row late": lambda x: "\n".join(_changed(x, 31_000, lambda row: row + ",7")),
    "a very long row late": lambda x: "\n".join(_changed(x, 31_000, lambda row: row + ",7,8,9")),
    "a short row late": lambda x: "\n".join(_changed(x, 31_000, lambda row: row.rsplit(",", 5)[0])),
    "one short, one long": lambda x: "\n".join(
        _changed(_changed(x, 21_000, lambda row: row.rsplit(",", 1)[0]), 31_000, lambda row: row + ",7")
    ),
    "words in numbers late": lambda x: "\n".join(_changed(x, 35_000, lambda row: row.replace(",2", ",off ", 3))),
    "blank lines": lambda x: "\n".join([*x[:500], "", "", *x[500:39_000], "", *x[39_000:]]),
    "a remark": lambda x: "\n".join([*x[:30_000], "logging paused", *x[30_000:]]),
    "header again": lambda x: "\n".join([*x[:30_000], x[0], *x[30_000:]]),
    "a blank above the header": lambda x: "\n" + "\n".join(x),
    "a quote late": lambda x: "\n".join(_changed(x, 31_000, lambda row: '"' + row)),
    "commas at the ends": lambda x: ",\n".join(x) + ",",
    "cut off": lambda x: "\n".join(x)[:-40],
    "zeros at the end": lambda x: "\n".join(x) + "\n" + 4096 * "\0",
    "parted by blanks": lambda x: "\n".join(row.replace(" ", "_").replace(",", " ") for row in x),
    "parted by tabs": lambda x: "\n".join(row.replace(",", "\t") for row in x),
    "decimal comma": lambda x: "\n".join(row.replace(",", ";").replace(".", ",") for row in x),
    "an endless number": lambda x: "\n".join(_changed(x, 31_000, lambda row: row.replace(",2", ",1e999", 1))),
    "a number beyond 64 bits": lambda x: "\n".join(
        _changed(x, 31_000, lambda row: row.replace(",2", "," + 25 * "9", 1))
    ),
}


@pytest.mark.parametrize("kind", UGLY)
def test_a_file_is_read_as_its_bytes_are(kind, lines, tmp_path):
    path = tmp_path / "log.csv"
    path.write_bytes(UGLY[kind](lines).encode())
    assert path.stat().st_size > 5 * 1024**2
    file, data = read_log(path), read_log(path.read_bytes(), "log.csv")
    assert (file.names, file.units, file.notes, file.rows) == (data.names, data.units, data.notes, data.rows)
    assert file.rows >= ROWS - 3
    for one, other in zip(file.columns, data.columns, strict=True):
        np.testing.assert_array_equal(one, other)
