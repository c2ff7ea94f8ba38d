"""CSV files of measured flow curves: what is read, and every fault in one line."""

from __future__ import annotations

import numpy as np
import pytest

from poresim.tables.flow_curve import read_flow_curve

RATE, VISCOSITY = np.array([0.1, 1.0, 10.0, 100.0]), np.array([0.2, 0.05, 0.016, 0.006])
STRESS = RATE * VISCOSITY


def written(folder, text):
    path = folder / "gum.csv"
    path.write_bytes(text if isinstance(text, bytes) else text.encode())
    return path


def columns(**values):
    rows = zip(*values.values(), strict=True)
    lines = [",".join(f"{v:.12g}" for v in row) for row in rows]
    return "\n".join([",".join(values), *lines]) + "\n"


@pytest.mark.parametrize(
    "given",
    [
        {"shear_rate_1_s": RATE, "viscosity_mPa_s": VISCOSITY * 1e3},
        {"viscosity_Pa_s": VISCOSITY, "shear_rate_1_s": RATE},
        {"shear_rate_1_s": RATE, "shear_stress_Pa": STRESS},
        {"shear_rate_1_s": RATE, "shear_stress_mPa": STRESS * 1e3},
        {"shear_stress_Pa": STRESS, "viscosity_mPa_s": VISCOSITY * 1e3},
        {"temperature_C": STRESS, "shear_stress_mPa": STRESS * 1e3, "viscosity_Pa_s": VISCOSITY},
        {"shear_stress_Pa": STRESS * 1.019, "viscosity_Pa_s": VISCOSITY, "shear_rate_1_s": RATE},
        {"shear_rate_1_s": RATE[::-1], "viscosity_Pa_s": VISCOSITY[::-1]},
    ],
    ids=lambda given: "+".join(given),
)
def test_any_two_of_the_three_columns(tmp_path, given):
    law = read_flow_curve(written(tmp_path, columns(**given)))
    np.testing.assert_allclose(law.shear_rate, RATE, rtol=1e-9)
    np.testing.assert_allclose(law.viscosity, VISCOSITY, rtol=1e-9)


def test_comments_blank_lines_marks_and_spaces(tmp_path):
    text = '\ufeff# INVENTED, "quoted\n\n shear_rate_1_s , viscosity_mPa_s,note\n'
    text += '1, 40,"up, then down"\r\n  # again, "\n\n10,12,\n,,\n100,5,x\n'
    law = read_flow_curve(written(tmp_path, text))
    np.testing.assert_allclose(law.viscosity, [0.04, 0.012, 0.005])


@pytest.mark.parametrize(
    "text",
    [
        "shear_rate_1_s;viscosity_mPa_s\n0,1;200\n1,0;50\n10;16,0\n100;6,0\n",
        "shear_rate_1_s\tviscosity_mPa_s\n0,1\t200\n1\t50\n10\t16\n100\t6\n",
        'shear_rate_1_s,viscosity_mPa_s\n"0,1",200\n1,50\n10,16\n100,6\n',
        "shear_rate_1_s;viscosity_mPa_s;\n0.1;200;\n1;50;\n10;16;\n100;6;\n",
        "shear_rate_1_s\tviscosity_mPa_s\n0.1\t200\n1\t50\n10\t16\n100\t6\n".encode("utf-16"),
    ],
    ids=["semicolons", "tabs", "quoted", "points", "UTF-16"],
)
def test_other_separators_and_decimal_commas(tmp_path, text):
    law = read_flow_curve(written(tmp_path, text))
    np.testing.assert_allclose(law.shear_rate, RATE, rtol=1e-12)
    np.testing.assert_allclose(law.viscosity, VISCOSITY, rtol=1e-12)


HEAD = "shear_rate_1_s,viscosity_mPa_s\n"
FAULTS = [
    ("", "gum.csv: is empty; a header with two of shear_rate_1_s, shear_stress_Pa (or"),
    ("# only this\n", "gum.csv: is empty"),
    (HEAD, "gum.csv: has no rows; 3 to 1000 are expected below the header"),
    (HEAD + "1,40\n", "gum.csv: has 1 row; 3 to 1000 are expected"),
    (HEAD + "1,40\n10,12\n", "gum.csv: has 2 rows; 3 to 1000 are expected"),
    (HEAD + "1,40\n" * 1001, "gum.csv: has too many rows; 3 to 1000 are expected"),
    ("shear_rate_1_s\n1\n", "gum.csv: has shear_rate_1_s alone; a header with two of"),
    ("rate,eta\n1,2\n", "gum.csv: has none of the columns needed, only rate, eta; a header with"),
    ("root:x:0:secret\n", "gum.csv: has none of the columns needed; a header with two of"),
    (
        "shear_rate_1_s;viscosity_mPa_s\n1;1.040,5\n2;30\n3;20\n",
        "gum.csv, line 2: viscosity_mPa_s is '1.040,5'; a number above 0 is expected",
    ),
    (
        HEAD + '1,"1,040"\n10,12\n100,5\n',
        "gum.csv, line 2: viscosity_mPa_s is '1,040'; a number above 0 is expected",
    ),
    (
        HEAD + "1/s,mPa s\n1,40\n10,12\n100,5\n",
        "gum.csv, line 2: shear_rate_1_s is '1/s'; a row of units belongs into the header's names: "
        "delete the row",
    ),
    (
        "shear_rate_1_s,viscosity_Pa_s,viscosity_mPa_s\n1,2,3\n",
        "gum.csv: gives viscosity_Pa_s and viscosity_mPa_s; one column of a kind is expected",
    ),
    (
        "shear_rate_1_s,shear_rate_1_s,viscosity_mPa_s\n1,2,3\n",
        "gum.csv: gives shear_rate_1_s and shear_rate_1_s; one column of a kind",
    ),
    (
        HEAD + "1,40\n0,5,12\n100,5\n",
        "gum.csv, line 3: has 3 cells, and the header 2; write decimals with a point, or "
        "separate columns by semicolons",
    ),
    (HEAD + "1,40\n10,\n100,5\n", "gum.csv, line 3: viscosity_mPa_s is empty; a number above 0"),
    (HEAD + "1,40\n10\n100,5\n", "gum.csv, line 3: viscosity_mPa_s is empty; a number above 0"),
    (HEAD + "1,40\n10,0\n100,5\n", "gum.csv, line 3: viscosity_mPa_s is '0'; a number above 0"),
    (HEAD + "1,40\n10,inf\n100,5\n", "gum.csv, line 3: viscosity_mPa_s is 'inf'"),
    (
        "# up and down\n" + HEAD + "10,12\n1,40\n\n10,11.5\n100,5\n",
        "gum.csv, lines 3 and 6: two points have the same shear rate (10 1/s); average them",
    ),
    (
        HEAD + "100,5\n\n10,60\n1,40\n",
        "gum.csv, lines 2 and 4: the stress hardly rises, or falls, from 0.6 Pa at 10 1/s to 0.5",
    ),
    (
        HEAD + "1,40\n2,400\n100,50\n",
        "gum.csv, lines 2 and 3: the stress rises too steeply between 1 and 2 1/s",
    ),
    (
        "shear_rate_1_s,shear_stress_Pa,viscosity_Pa_s\n1,1,1\n2,2,1.03\n3,3,1\n",
        "gum.csv, line 3: shear_stress_Pa is 2, but rate times viscosity is 2.06; leave one "
        "column out, or mend it",
    ),
    (HEAD + "1e-13,40\n10,12\n100,5\n", "gum.csv: shear_rate (1/s) must lie in 1e-12 to 1e+15"),
    (b"shear_rate_1_s,viscosity_mPa_s\n\xff\n", "gum.csv: cannot be read (not UTF-8 text)"),
    (HEAD + "1,40\n" + "#" * 5_000_001, "gum.csv: is larger than 5,000,000 bytes"),
    (HEAD + '1,"' + "4" * 200_000, "gum.csv: cannot be read (field larger than field limit"),
]


@pytest.mark.parametrize(("text", "said"), FAULTS, ids=[said[:44] for _, said in FAULTS])
def test_faults(tmp_path, text, said):
    with pytest.raises(ValueError, match=r"gum\.csv") as caught:
        read_flow_curve(written(tmp_path, text))
    found = str(caught.value).removeprefix(f"{tmp_path}/")
    assert found.startswith(said)
    assert "\n" not in found
    assert "secret" not in found  # what no table holds is not shown
