"""A laboratory's own table: what is accepted, and each fault with its line and reason."""

from __future__ import annotations

from pathlib import Path

import pytest

from sieve_inspect.errors import BadTableError, NominalOutsideError
from sieve_inspect.standard import NotTabulatedError, limits

GOOD = """\
nominal_um,designation,y_um,x_um,s_compliance_um,wire_um,wire_min_um,wire_max_um,source
63,fine,3,20,7,45,38,52,agreed with the customer
75,,3.5,24,8.5,50,,,agreed with the customer
"""


def write(folder: Path, text: str | bytes) -> str:
    path = folder / "own.csv"
    path.write_bytes(text if isinstance(text, bytes) else text.encode())
    return str(path)


def test_a_good_table_is_used_as_it_stands(tmp_path: Path) -> None:
    path = write(tmp_path, GOOD)
    result = limits(75, path, grade="calibration")
    assert (result.y_um, result.x_um, result.max_um, result.s_limit_um) == (3.5, 24.0, 99.0, 8.5)
    assert result.standard == path
    assert result.designation == "75 um"
    assert result.source == ("agreed with the customer",)
    assert limits(63, path).designation == "fine"


def test_a_maximum_may_stand_for_x_and_a_byte_order_mark_is_no_fault(tmp_path: Path) -> None:
    path = write(tmp_path, "\ufeffnominal_um,y_um,max_um\r\n\r\n75,3.5,99\r\n")
    assert limits(75, path).x_um == 24.0


def test_a_share_limit_in_a_laboratorys_own_table(tmp_path: Path) -> None:
    path = write(tmp_path, "nominal_um,y_um,x_um,z_um,z_share_percent\n75,3.5,24,14,5\n")
    assert (limits(75, path).z_um, limits(75, path).z_share_percent) == (14.0, 5.0)


def test_grades_apart(tmp_path: Path) -> None:
    header = "nominal_um,y_um,x_um,s_compliance_um,s_inspection_um,n_inspection"
    path = write(tmp_path, f"{header}\n75,3.5,24,9,8,100\n")
    inspection = limits(75, path, grade="inspection")
    assert (inspection.s_limit_um, inspection.n) == (8.0, 100)
    assert limits(75, path, grade="calibration").s_limit_um is None


def test_sizes_outside_the_table_are_not_invented(tmp_path: Path) -> None:
    path = write(tmp_path, GOOD)
    with pytest.raises(NotTabulatedError, match="63 um and 75 um"):
        limits(70, path)
    with pytest.raises(NominalOutsideError):
        limits(10, path)


FAULTS: dict[str, tuple[str | bytes, str]] = {
    "empty": ("", "it is empty"),
    "blank": (" \n\n", "it is empty"),
    "header only": ("nominal_um,y_um,x_um\n", "no rows"),
    "no y": ("nominal_um,x_um\n75,24\n", "line 1: the column y_um is missing"),
    "no x": ("nominal_um,y_um\n75,3\n", r"line 1: the column x_um \(or max_um\) is missing"),
    "unknown": ("nominal_um,y_um,x_um,Xmax\n75,3,24,1\n", "line 1: the column 'Xmax' is unknown"),
    "semicolons": ("nominal_um;y_um;x_um\n75;3;24\n", "separated by commas"),
    "twice": ("nominal_um,y_um,x_um,x_um\n75,3,24,24\n", "line 1: the column x_um is there twice"),
    "z alone": ("nominal_um,y_um,x_um,z_um\n75,3,24,14\n", "needs z_share_percent"),
    "word": ("nominal_um,y_um,x_um\n75,3,24\n80,abc,27\n", "line 3: y_um = 'abc' is not a plain"),
    "formula": ("nominal_um,y_um,x_um\n75,=1+2,24\n", "line 2: y_um = '=1\\+2' is not a plain"),
    "command": ("nominal_um,y_um,x_um\n75,@SUM(A1),24\n", "line 2: y_um = '@SUM"),
    "plus": ("nominal_um,y_um,x_um\n75,+3,24\n", "line 2: y_um = '\\+3' is not a plain"),
    "nan": ("nominal_um,y_um,x_um\n75,nan,24\n", "line 2: y_um = 'nan'"),
    "inf": ("nominal_um,y_um,x_um\n75,3,inf\n", "line 2: x_um = 'inf'"),
    "exponent": ("nominal_um,y_um,x_um\n75,3e0,24\n", "line 2: y_um = '3e0'"),
    "underscore": ("nominal_um,y_um,x_um\n75,3,2_4\n", "line 2: x_um = '2_4'"),
    "arabic digits": ("nominal_um,y_um,x_um\n٧٥,3,24\n", "line 2: nominal_um"),
    "decimal comma": ('nominal_um,y_um,x_um\n75,"3,5",24\n', "line 2: y_um = '3,5' is not a plain"),
    "negative": ("nominal_um,y_um,x_um\n75,-3,24\n", "line 2: y_um = -3 is negative"),
    "zero": ("nominal_um,y_um,x_um\n75,0,24\n", "line 2: y_um is zero"),
    "blank y": ("nominal_um,y_um,x_um\n75,,24\n", "line 2: y_um is blank"),
    "blank x": ("nominal_um,y_um,x_um\n75,3,\n", "line 2: it gives neither x_um nor max_um"),
    "max small": ("nominal_um,y_um,max_um\n75,3,74\n", "line 2: max_um = 74 is not over"),
    "x and max": ("nominal_um,y_um,x_um,max_um\n75,3,24,98\n", "line 2: max_um = 98 is not nomin"),
    "y over x": ("nominal_um,y_um,x_um\n75,30,24\n", "line 2: y_um = 30 is over x_um"),
    "y over w": ("nominal_um,y_um,x_um\n75,80,90\n", "line 2: y_um = 80 is as large"),
    "z outside": (
        "nominal_um,y_um,x_um,z_um,z_share_percent\n75,3,24,25,6\n",
        "line 2: z_um = 25 lies outside",
    ),
    "share": ("nominal_um,y_um,x_um,z_um,z_share_percent\n75,3,24,14,100\n", "below 100"),
    "duplicate": ("nominal_um,y_um,x_um\n75,3,24\n75.0,4,24\n", "line 3: the nominal 75.0 um"),
    "wires": ("nominal_um,y_um,x_um,wire_um,wire_min_um\n75,3,24,50,58\n", "rising order"),
    "count": ("nominal_um,y_um,x_um,n_compliance\n75,3,24,2.5\n", "line 2: n_compliance = '2.5'"),
    "no count": ("nominal_um,y_um,x_um,n_compliance\n75,3,24,0\n", "line 2: n_compliance = '0'"),
    "millimetres": ("nominal_um,y_um,x_um\n0.075,3,24\n", "is it in um"),
    "short": ("nominal_um,y_um,x_um\n75,3\n", "line 2: it has 2 cells where the header has 3"),
    "long": ("nominal_um,y_um,x_um\n75,3,24,1\n", "line 2: it has 4 cells"),
    "quote": ('nominal_um,y_um,x_um\n75,3,"24\n', "line 2"),
    "terminal": ("nominal_um,y_um,x_um,source\n75,3,24,\x1b[2J\n", "line 2: source .* printed"),
    "nul": ("nominal_um,y_um,x_um\n75,3,2\x004\n", "line 2"),
    "latin-1": (b"nominal_um,y_um,x_um,source\n75,3,24,caf\xe9\n", "line 2: it is not UTF-8"),
    "utf-16": ("nominal_um,y_um,x_um\n75,3,24\n".encode("utf-16"), "not UTF-8"),
}


@pytest.mark.parametrize("fault", FAULTS)
def test_a_faulty_table_is_refused_with_line_and_reason(tmp_path: Path, fault: str) -> None:
    text, reason = FAULTS[fault]
    with pytest.raises(BadTableError, match=reason) as caught:
        limits(75, write(tmp_path, text))
    assert caught.value.exit_code == 21
    assert "own.csv" in str(caught.value)
    assert str(caught.value).isprintable()


def test_folders_and_missing_files_are_refused(tmp_path: Path) -> None:
    with pytest.raises(BadTableError, match="folder"):
        limits(75, str(tmp_path))
    with pytest.raises(BadTableError, match="file not found"):
        limits(75, str(tmp_path / "absent.csv"))
    with pytest.raises(BadTableError):
        limits(75, "a\0b.csv")
    with pytest.raises(BadTableError):
        limits(75, "x" * 5000 + ".csv")


def test_an_enormous_file_is_refused(tmp_path: Path) -> None:
    with pytest.raises(BadTableError, match="4 MB"):
        limits(75, write(tmp_path, b"nominal_um,y_um,x_um\n" + b"75,3,24\n" * 600_000))
