"""No file, whatever is in it, gets more than a sentence out of the reader; and what a file says in any way of writing comes back exact."""

from random import Random

import numpy as np
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from kernel_lib import InputError
from kernel_lib.logs.read import RawLog, clean_name, read_log

CALM = settings(
    derandomize=True,
    deadline=None,
    database=None,
    suppress_health_check=[HealthCheck.too_slow, HealthCheck.data_too_large, HealthCheck.filter_too_much],
)
WORDS = (
    "Zeit",
    "Engine speed",
    "Lambda",
    "Druck",
    "Öl",
    "Valve",
    "pressure 2",
    "Vitesse",
    "Temp",
    "Knock",
    "x",
    "Gear",
)
UNITS = ("s", "1/min", "kPa", "°C", "%", "V", "deg", "ms")
ENCODINGS = ("utf-8", "utf-8-sig", "utf-16", "cp1252")


def read(data):
    """The log, or None where it was refused as it should be."""
    refused = None
    try:
        log = read_log(data, "fuzz.csv")
    except InputError as error:
        refused = error
    if refused is not None:
        assert refused.field == "log"
        assert refused.allowed
        assert refused.reason
        return None
    assert isinstance(log, RawLog)
    assert len(log.names) == len(log.units) == len(log.columns) >= 2
    assert len(set(log.names)) == len(log.names)
    assert all(name and name.isprintable() for name in log.names)
    assert all(c.dtype == np.float64 and len(c) == log.rows and not np.isinf(c).any() for c in log.columns)
    assert log.rows >= 20
    assert all(isinstance(note, str) and note.endswith(".") and note.isprintable() for note in log.notes)
    return log


@settings(CALM, max_examples=300)
@given(st.binary(max_size=1500))
def test_any_bytes(data):
    read(data)


@settings(CALM, max_examples=150)
@given(st.text(max_size=1500), st.sampled_from(ENCODINGS))
def test_any_text(text, encoding):
    read(text.encode(encoding, "replace"))


@settings(CALM, max_examples=350)
@given(st.randoms(use_true_random=False), st.sampled_from(";,\t| "), st.sampled_from(["\n", "\r\n", "\r"]))
def test_any_table_of_almost_numbers(random, delimiter, end):
    choice = Random(random.getrandbits(64))
    text = choice.choice(["0123456789.", "0123456789.,;:|\t\"' -+eE#=%abON°", '01:.-, "', "0123456789,x"])
    width = choice.randint(1, 6)

    def cell():
        return "".join(choice.choices(text, k=choice.randint(0, 9)))

    rows = [[cell() for _ in range(width + choice.choice([0, 0, 0, 1, -1]))] for _ in range(choice.randint(15, 60))]
    read(end.join(delimiter.join(row) for row in rows).encode())


@st.composite
def written(draw):
    """A table, and the bytes of it in some way of writing."""
    delimiter = draw(st.sampled_from(";,\t| "))
    mark = draw(st.sampled_from(",."))
    quoted = draw(st.booleans()) or (delimiter == mark)
    count, rows = draw(st.integers(2, 7)), draw(st.integers(20, 32))
    digits = [2, *draw(st.lists(st.integers(0, 4), min_size=count - 1, max_size=count - 1))]
    rng = np.random.default_rng(draw(st.integers(0, 2**32)))
    table = rng.normal(0, 10.0 ** rng.integers(0, 5, count), (rows, count))
    table = np.array([[float(f"{v:.{d}f}") for v, d in zip(row, digits, strict=True)] for row in table])
    table[:, 0] = np.arange(rows) / 100
    gaps = draw(st.booleans()) and delimiter != " "
    if gaps:
        table[:, 1:][rng.random((rows, count - 1)) < 0.3] = np.nan
    names = draw(st.lists(st.sampled_from(WORDS), min_size=count, max_size=count, unique=True))
    if delimiter == " ":
        names = [name.replace(" ", "_") for name in names]
    units = draw(st.lists(st.sampled_from(UNITS), min_size=count, max_size=count))
    style = draw(st.sampled_from(["none", "row", "names"]))

    def cell(text):
        return f'"{text}"' if quoted else text

    def number(value, places):
        return "" if np.isnan(value) else f"{value:.{places}f}".replace(".", mark)

    shown = [f"{n}[{u}]" if delimiter == " " else f"{n} [{u}]" for n, u in zip(names, units, strict=True)]
    lines = draw(st.sampled_from([[], ["Log of a test car"], ["# made up", "", "# on a day"]]))
    lines = [*lines, [cell(t) for t in (shown if style == "names" else names)]]
    if style == "row":
        lines.append([cell(u) for u in units])
    lines += [[cell(number(v, d)) for v, d in zip(row, digits, strict=True)] for row in table]
    tail = delimiter if delimiter != " " and draw(st.booleans()) else ""
    end = draw(st.sampled_from(["\n", "\r\n", "\r"]))
    text = end.join(line if isinstance(line, str) else delimiter.join(line) + tail for line in lines)
    text += end if draw(st.booleans()) else ""
    return names, units if style != "none" else [""] * count, table, text.encode(draw(st.sampled_from(ENCODINGS)))


@settings(CALM, max_examples=350)
@given(written())
def test_what_is_written_comes_back(case):
    names, units, table, data = case
    log = read(data)
    assert log is not None
    assert log.names == tuple(names)
    assert log.units == tuple(units)
    np.testing.assert_array_equal(np.column_stack(log.columns), table + 0.0)


@settings(CALM, max_examples=250)
@given(written(), st.data())
def test_damaged_files(case, data):
    whole = bytearray(case[-1])
    for _ in range(data.draw(st.integers(1, 6))):
        at = data.draw(st.integers(0, max(len(whole) - 1, 0)))
        how = data.draw(st.sampled_from(["replace", "delete", "insert", "cut"]))
        if how == "replace" and whole:
            whole[at] = data.draw(st.integers(0, 255))
        elif how == "delete":
            del whole[at : at + data.draw(st.integers(1, 30))]
        elif how == "insert":
            whole[at:at] = data.draw(st.sampled_from([b'"', b"\x00", b"\n", b",", b";", b"---", b"=1+1", b"\xff"]))
        else:
            del whole[at:]
    read(bytes(whole))


@settings(CALM, max_examples=100)
@given(st.text(max_size=300))
def test_any_name_becomes_a_plain_one(name):
    made = clean_name(name)
    assert made
    assert made.isprintable()
    assert len(made) <= 80
    assert not set(made) & set("/\\")
