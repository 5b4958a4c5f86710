"""The reader against files made by hand: what each must come out as, and what must be said."""

import warnings
from pathlib import Path

import numpy as np
import pytest

from kernel_lib import InputError
from kernel_lib.logs import mdf, read, read_table
from kernel_lib.logs.read import read_log
from kernel_lib.text import csv_cell, csv_safe

ROWS = 30
TIME = np.array([float(f"{i * 0.01:.2f}") for i in range(ROWS)])
RPM = np.array([2000.0 + 13 * i for i in range(ROWS)])
LAMBDA = np.array([float(f"{0.85 + i * 0.001:.3f}") for i in range(ROWS)])


def lines(row, head="", end="\n"):
    return head + "".join(row(i) + end for i in range(ROWS))


def plain(i, by=",", mark="."):
    return by.join((f"{TIME[i]:.2f}", f"{RPM[i]:.0f}", f"{LAMBDA[i]:.3f}")).replace(".", mark)


def read_text(text, encoding="utf-8"):
    return read_log(text.encode(encoding), "made.csv")


def same(log, *columns):
    assert log.rows == len(columns[0])
    for got, wanted in zip(log.columns, columns, strict=True):
        np.testing.assert_array_equal(got, wanted)


def said(log, *words):
    assert any(all(w in note for w in words) for note in log.notes), log.notes


def refused(data, *words, name="made.csv"):
    with pytest.raises(InputError) as caught:
        read_log(data if isinstance(data, bytes) else data.encode(), name)
    assert caught.value.field == "log"
    for word in words:
        assert word in str(caught.value)


# --- ways of writing


def test_the_plainest_file_needs_no_word():
    log = read_text(lines(plain, "time,rpm,lambda\n"))
    assert (log.name, log.kind, log.names, log.units) == ("made.csv", "csv", ("time", "rpm", "lambda"), ("", "", ""))
    assert log.notes == []
    same(log, TIME, RPM, LAMBDA)


@pytest.mark.parametrize("by", [";", "\t", "|", ",", " ", "   "])
@pytest.mark.parametrize("mark", [".", ","])
@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "utf-16", "utf-16-le", "cp1252"])
@pytest.mark.parametrize("end", ["\n", "\r\n", "\r"])
def test_a_table_reads_alike_in_every_way_of_writing(by, mark, encoding, end):
    if by == mark == ",":
        text = lines(lambda i: '"' + plain(i, '";"', mark).replace(";", ",") + '"', f"zeit,rpm,öl{end}", end)
    else:
        text = lines(lambda i: plain(i, by, mark), f"zeit{by}rpm{by}öl{end}", end)
    log = read_text(text, encoding)
    assert log.names == ("zeit", "rpm", "öl")
    same(log, TIME, RPM, LAMBDA)


def test_columns_in_another_order_are_the_same_columns():
    log = read_text(lines(plain, "time,rpm,lambda\n"))
    turned = read_text(lines(lambda i: ",".join(plain(i).split(",")[::-1]), "lambda,rpm,time\n"))
    assert turned.names == log.names[::-1]
    for a, b in zip(turned.columns, log.columns[::-1], strict=True):
        np.testing.assert_array_equal(a, b)


def test_preamble_header_and_units_rows_are_told_apart():
    head = "Car;grey test car\nDate;01.05.2024\nRate;100\n\nZeit;Drehzahl;Lambda\ns;1/min;-\n\n"
    log = read_text(lines(lambda i: plain(i, ";", ","), head))
    assert (log.names, log.units) == (("Zeit", "Drehzahl", "Lambda"), ("s", "1/min", "-"))
    said(log, "semicolons", "comma")
    said(log, "header is line 5", "units are in line 6", "begin in line 8")
    same(log, TIME, RPM, LAMBDA)


@pytest.mark.parametrize(
    ("written", "name", "unit"),
    [
        ("RPM [1/min]", "RPM", "1/min"),
        ("Oil Press_kPa", "Oil Press", "kPa"),
        ("AFR (14.7)", "AFR (14.7)", ""),
        ("Bottle (psi)", "Bottle", "psi"),
        ("Coolant_F", "Coolant", "F"),
        ("Throttle %", "Throttle", "%"),
        ("time_s", "time", "s"),
        ("Lambda (rear)", "Lambda (rear)", ""),
        ("Lambda [2]", "Lambda [2]", ""),
        ("Bank A", "Bank A", ""),
        ("MAP kPa abs", "MAP kPa abs", ""),
        ("MAP [kPa abs]", "MAP", "kPa abs"),
        ("rpm", "rpm", ""),
        ("kPa", "kPa", ""),
        ("'Duty'", "Duty", ""),
        ("=HYPERLINK(1)", "=HYPERLINK(1)", ""),
    ],
)
def test_units_in_names(written, name, unit):
    log = read_text(lines(plain, f"t;{written};x\n".replace(";", ",")))
    assert (log.names[1], log.units[1]) == (name, unit)


def test_names_that_differ_by_their_unit_keep_it_and_equal_ones_are_numbered():
    log = read_text(lines(lambda i: f"{plain(i)},1,2", "t,p [psi],p [kPa],a,a\n"))
    assert log.names == ("t", "p [psi]", "p [kPa]", "a", "a (2)")
    assert log.units[1:3] == ("psi", "kPa")
    said(log, "more than once", "'a (2)'")


def test_names_as_units_stay_a_header():
    log = read_text(lines(lambda i: f"{plain(i)},14,5", "time,rpm,lambda,afr,gear\n"))
    assert log.names == ("time", "rpm", "lambda", "afr", "gear")


def test_no_header_and_unnamed_columns_are_said():
    log = read_text(lines(plain))
    assert log.names == ("column 1", "column 2", "column 3")
    said(log, "no header")
    log = read_text(lines(plain, "time,,lambda\n"))
    assert log.names == ("time", "column 2", "lambda")
    said(log, "without a name")


def test_a_header_over_words_between_blanks_and_one_broken_in_quotes():
    log = read_text(lines(lambda i: plain(i, "    "), "Time  Engine speed  Lambda\n"))
    assert log.names == ("Time", "Engine speed", "Lambda")
    log = read_text(lines(plain, '"time\n[s]","engine\nspeed [rpm]","lambda"\n'))
    assert (log.names, log.units) == (("time", "engine speed", "lambda"), ("s", "rpm", ""))
    log = read_text(lines(plain, "# time, rpm, lambda\n"))
    assert log.names == ("time", "rpm", "lambda")
    log = read_text(lines(plain, "time,AFR (14,7),lambda\n"))
    assert log.names == ("time", "AFR (14,7)", "lambda")


def test_a_trailing_delimiter_makes_no_column():
    assert read_text(lines(lambda i: plain(i) + ",", "a,b,c\n")).names == ("a", "b", "c")
    assert read_text(lines(lambda i: plain(i) + ",", "a,b,c,\n")).names == ("a", "b", "c")


def test_slower_channels_are_blank_between_and_nothing_is_said():
    log = read_text(lines(lambda i: f"{plain(i)},{i if i % 5 == 0 else ''}", "t,a,b,slow\n"))
    assert log.notes == []
    same(log, TIME, RPM, LAMBDA, [i if i % 5 == 0 else np.nan for i in range(ROWS)])


# --- cells


def column(cells, head="t,x\n", by=","):
    """The second column of a file of these cells, repeated; and the log."""
    log = read_text(lines(lambda i: f"{i}{by}{cells[i % len(cells)]}", head))
    return log.columns[1][: len(cells)].tolist(), log


@pytest.mark.parametrize(
    ("cells", "values", "words"),
    [
        (["ON", "OFF", "On"], [1, 0, 1], ["1 (on) and 0 (off)", "30 cells", "line 2", "'ON'"]),
        (["true", "false", ""], [1, 0, np.nan], ["1 (on)"]),
        (["1", "off", "0"], [1, 0, 0], ["1 (on)"]),
        (["45.5", "off", "12"], [45.5, np.nan, 12], ["hold words", "line 3", "'off'"]),
        (["---", "4", "5"], [np.nan, 4, 5], ["no value", "10 cells", "'---'"]),
        (["err", "4", "5"], [np.nan, 4, 5], ["hold words", "'err'"]),
        (["=1+1", "4", "5"], [np.nan, 4, 5], ["hold words", "'=1+1'"]),
        (["13.2 V", "12.0 V", "9"], [13.2, 12, 9], ["carry 'V'", "unit"]),
        (["13 V", "300 mV", "9"], [np.nan, np.nan, 9], ["hold words"]),
        (["6 500", "1 234.5", "800"], [6500, 1234.5, 800], ["thousands"]),
        (["1.5e3", "-2E-1", "+.5"], [1500, -0.2, 0.5], []),
        (["\u22123", "4", "5"], [-3, 4, 5], []),
        (["1e999", "-inf", "5"], [np.nan, np.nan, 5], ["endless"]),
        (["99999999999999999999", "18446744073709551615", "1"], [1e20, 2.0**64, 1], []),
        (["12:03:04.250", "12:03:05", "12:03:05.5"], [43384.25, 43385, 43385.5], ["clock times", "midnight"]),
        (["23:59:59.5", "00:00:00.5", "00:00:01"], None, ["clock times"]),
        (["1:02.5", "1:03.0", "1:04"], [62.5, 63, 64], ["clock times"]),
        (["2024-05-01T12:00:00.25Z", "2024-05-02 00:00:01", ""], [43200.25, 86401, np.nan], ["of 2024-05-01"]),
        (["12:00:00 AM", "1:00:00 pm", "12:30:00 PM"], None, ["clock times"]),
    ],
)
def test_cells_that_are_no_plain_numbers(cells, values, words):
    got, log = column(cells)
    if values is not None:
        np.testing.assert_array_equal(got, values)
    if words:
        said(log, "olumn 'x'", *words)
    else:
        assert log.notes == []


def test_a_column_of_words_stays_empty():
    log = read_text(lines(lambda i: f"{plain(i)},{'RUN' if i % 2 else 'IDLE'}", "t,rpm,l,state\n"))
    same(log, TIME, RPM, LAMBDA, [np.nan] * ROWS)
    said(log, "'state' holds words, no numbers", "line 2", "'IDLE'")


def test_first_rows_with_words_in_them_are_not_taken_for_a_header():
    log = read_text(lines(lambda i: plain(i) if i > 1 else f"{TIME[i]:.2f},wait,wait", "t,rpm,l\n"))
    assert log.names == ("t", "rpm", "l")
    same(log, TIME, np.where(TIME < 0.02, np.nan, RPM), np.where(TIME < 0.02, np.nan, LAMBDA))


def test_a_clock_over_midnight_rises_and_halves_of_a_day_are_known():
    log = read_text(
        lines(
            lambda i: f"{(86395 + i) // 3600 % 24:02d}:{(86395 + i) // 60 % 60:02d}:{(86395 + i) % 60:02d},1", "t,x\n"
        )
    )
    np.testing.assert_array_equal(log.columns[0], 86395.0 + np.arange(ROWS))
    got, _ = column(["12:00:00 AM", "1:00:00 PM", "11:59:59 PM"])
    assert got == [0.0, 46800.0, 86399.0]


def test_the_other_decimal_mark_in_a_column():
    got, log = column(["14.7", "13.25", "0.9"], "t;y;z;x\n", ";1,5;2,5;")
    same_column = log.columns[3][:3].tolist()
    assert same_column == [14.7, 13.25, 0.9]
    said(log, "column 'x'", "point", "decimals")
    assert got == [1.5] * 3


def test_thousands_with_the_other_mark_where_the_column_says_so():
    log = read_text(lines(lambda i: f"{i},5;{900 + i if i < 100 - 90 else f'1.{i:03d}'}", "t;rpm\n"))
    np.testing.assert_array_equal(log.columns[1], [900.0 + i if i < 10 else 1000.0 + i for i in range(ROWS)])
    said(log, "read as thousands")


# --- damage


def test_repeated_headers_remarks_and_blank_lines_leave_no_row():
    extra = {5: "time,rpm,lambda", 9: "# marker 2", 12: "", 14: "  ", 17: ",,", 20: "time,rpm,lambda"}
    log = read_text(lines(lambda i: (extra[i] + "\n" if i in extra else "") + plain(i), "time,rpm,lambda\n"))
    same(log, TIME, RPM, LAMBDA)
    said(log, "header stands again in 2 lines", "line 7")
    said(log, "no number", "line 12", "marker 2")


def test_rows_with_too_many_and_too_few_cells():
    odd = {7: f"{TIME[7]:.2f},{RPM[7]:.0f}", 11: plain(11) + ",9,9"}
    log = read_text(lines(lambda i: odd.get(i, plain(i)), "time,rpm,lambda\n"))
    same(log, TIME, RPM, np.where(np.arange(ROWS) == 7, np.nan, LAMBDA))
    said(log, "fewer cells", "line 9")
    said(log, "more cells", "line 13")


def test_a_cell_cut_off_in_a_short_row_is_not_taken_for_a_value():
    log = read_text(lines(lambda i: "0.07,20" if i == 7 else plain(i), "time,rpm,lambda\n"))
    assert np.isnan(log.columns[1][7])
    said(log, "cut off in the middle", "line 9")


def test_a_file_cut_off_in_a_line():
    whole = lines(plain, "time,rpm,lambda\n")
    log = read_text(whole[:-10])
    same(log, TIME[:-1], RPM[:-1], LAMBDA[:-1])
    said(log, "middle of a row", "line 31")
    same(read_text(whole[:-1]), TIME, RPM, LAMBDA)


def test_a_logger_that_leaves_trailing_blanks_out():
    log = read_text(lines(lambda i: plain(i) if i % 4 == 0 else ",".join(plain(i).split(",")[:2]), "t,rpm,l\n"))
    same(log, TIME, RPM, np.where(np.arange(ROWS) % 4 == 0, LAMBDA, np.nan))
    said(log, "22 rows", "fewer cells")


def test_quotes_never_closed():
    log = read_text(lines(lambda i: plain(i).replace(",", ',"', 1) if i in (3, 9) else plain(i), 't,"rpm,l\n'))
    same(log, TIME, RPM, LAMBDA)
    said(log, "Quotes that do not pair", "2 lines")


def test_zeros_at_the_end_and_a_stray_byte():
    log = read_log(lines(plain, "t,rpm,l\n").encode() + b"\0" * 300)
    same(log, TIME, RPM, LAMBDA)
    said(log, "ends in 300 bytes")
    log = read_log(lines(plain, "t\x07,rpm,l\n").encode())
    said(log, "1 bytes")


# --- what is no log


@pytest.mark.parametrize(
    ("data", "words"),
    [
        (b"", ["empty"]),
        (b"\xef\xbb\xbf \n\n", ["empty"]),
        (b"\0" * 4000, ["empty"]),
        (b"PK\x03\x04" + b"a" * 99, ["zip", "CSV"]),
        (b"\x89PNG\r\n" + b"a" * 99, ["picture"]),
        (np.random.default_rng(1).bytes(4000), ["no text"]),
        (b"a,b\n1,2\n" * 9 + bytes(range(1, 9)) * 9, ["no text"]),
        ("x\n" + "12\n" * 40, ["one column", "two columns"]),
        ("There is\nno table, in\nthis letter.\n" * 9, ["no rows of numbers"]),
        ("a,b\n1,2\n2,3\n", ["2 rows", "20 rows"]),
        (
            ",".join(f"c{i}" for i in range(2001)) + "\n" + (",".join(["1"] * 2001) + "\n") * 20,
            ["2001 columns", "2000"],
        ),
        (lines(lambda i: plain(i, ",", ","), "a,b,c\n"), ["commas", "semicolons"]),
    ],
)
def test_what_is_no_log_is_refused_in_a_sentence(data, words):
    refused(data, *words)


def test_files_too_large_are_refused(monkeypatch, tmp_path):
    text = lines(plain, "a,b,c\n")
    with monkeypatch.context() as few:
        few.setattr(read_table, "MAX_VALUES", 80)
        refused(text, "million values")
    monkeypatch.setattr(read, "MAX_BYTES", 300)
    refused(text, "MB")
    (tmp_path / "big.csv").write_text(text)
    with pytest.raises(InputError, match="MB"):
        read_log(tmp_path / "big.csv")


def test_paths(tmp_path):
    path = tmp_path / "a log.csv"
    path.write_text(lines(plain, "a,b,c\n"))
    assert read_log(path).name == read_log(str(path)).name == "a log.csv"
    for wrong in (tmp_path, tmp_path / "none.csv", "/dev/zero", "a\0b", "x" * 5000, 5, None):
        with pytest.raises(InputError, match="log is"):
            read_log(wrong)


@pytest.mark.parametrize(
    ("given", "name"),
    [
        ("../../etc/passwd", "passwd"),
        ("C:\\logs\\one.csv", "one.csv"),
        ("a\nb\x1b[31m\u202e.csv", "a b [31m .csv"),
        ("<img src=x>.csv", "<img src=x>.csv"),
        ("x" * 300, "x" * 80),
        ("///", "log"),
        ("", "log"),
    ],
)
def test_hostile_names(given, name):
    assert read_log(lines(plain, "a,b,c\n").encode(), given).name == name


def test_columns_cannot_be_changed_by_accident():
    log = read_text(lines(plain, "a,b,c\n"))
    with pytest.raises(ValueError, match="read-only"):
        log.columns[0][0] = 1.0


def test_what_we_write_is_no_formula():
    assert csv_safe("=cmd|' /C calc'!A0") == "'=cmd|' /C calc'!A0"
    assert csv_safe(" @x\n=y") == "'@x =y"
    assert csv_safe("-5.2") == "-5.2"
    assert csv_safe("lambda") == "lambda"
    assert csv_cell('say "=1"') == '"say ""=1"""'


# --- MDF

FAST, SLOW = np.arange(100) * 0.01, np.arange(10) * 0.1 + 0.003


@pytest.fixture(scope="module", params=["4.10", "3.30"])
def mdf_file(request, tmp_path_factory):
    """Two groups with clocks of their own, one name twice, a channel of words; written by asammdf itself."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        asammdf = pytest.importorskip("asammdf")
        path = tmp_path_factory.mktemp("mdf") / ("a.mf4" if request.param[0] == "4" else "a.mdf")
        file = asammdf.MDF(version=request.param)
        signal = asammdf.Signal
        file.append(
            [signal(FAST * 500, FAST, name="rpm", unit="1/min"), signal((FAST > 0.5).astype("u1"), FAST, name="on")]
        )
        words = signal(np.array([b"x"] * 10), SLOW, name="words", encoding="utf-8")
        file.append([signal(SLOW + 7, SLOW, name="rpm", unit="bar"), words])
        path = file.save(path, overwrite=True)
        file.close()
    return path


def test_mdf_channels_stand_on_the_union_of_their_clocks(mdf_file):
    log = read_log(mdf_file)
    union = np.union1d(FAST, SLOW)
    assert (log.kind, log.names, log.units) == ("mdf", ("time", "rpm", "on", "rpm (2)"), ("s", "1/min", "", "bar"))
    np.testing.assert_array_equal(log.columns[0], union)
    fast, slow = np.isin(union, FAST), np.isin(union, SLOW)
    np.testing.assert_array_equal(log.columns[1][fast], FAST * 500)
    np.testing.assert_array_equal(log.columns[2][fast], FAST > 0.5)
    np.testing.assert_array_equal(log.columns[3][slow], SLOW + 7)
    assert np.isnan(log.columns[1][~fast]).all()
    assert np.isnan(log.columns[3][~slow]).all()
    said(log, "'words'")
    said(log, "union")


def test_mdf_without_its_package_damaged_or_too_large(mdf_file, monkeypatch):
    data = mdf_file.read_bytes()
    if data[64:68] != b"##HD":
        return  # once is enough: a process each
    refused(data[:400], "damaged")
    monkeypatch.setattr(mdf, "MAX_VALUES", 50)
    refused(data, "million values")
    monkeypatch.setattr(mdf.importlib.util, "find_spec", lambda _: None)
    refused(data, 'pip install "nitrous-workbook[mdf]"')


def test_only_the_other_process_imports_asammdf():
    kernel = Path(read.__file__).parents[1]
    users = [
        p.name for p in kernel.rglob("*.py") if "import asammdf" in (t := p.read_text("utf-8")) or "from asammdf" in t
    ]
    assert users == ["mdf_child.py"]
