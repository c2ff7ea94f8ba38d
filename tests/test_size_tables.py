"""CSV files of measured sizes: what is read, how it is decided, and every fault in one line."""

from __future__ import annotations

import numpy as np
import pytest

from poresim.tables.grain_sizes import read_size_table
from poresim.tables.porosimetry import entered_radius, read_intrusion
from poresim.tables.rows import TableError, read_rows

SIEVES = "opening_um,retained_g\n500,1.0\n250,20\n125,30.25\n63,9\n0,2\n"


def written(folder, text):
    path = folder / "sizes.csv"
    path.write_bytes(text if isinstance(text, bytes) else text.encode())
    return path


@pytest.mark.parametrize(
    "text",
    [
        SIEVES,
        "\ufeff# INVENTED\n" + SIEVES,
        "opening_um,retained_g\n0,2\n63,9\n125,30.25\n250,20\n500,1.0\n",
        "opening_um,retained_g\n500,1.0\n250,20\n125,30.25\n63,9\n,2\n",
        "opening_um,retained_g\n500,1.0\n250,20\n125,30.25\n63,9\nPan,2\n",
        "retained_g;opening_mm;note\n1,0;0,5;\n20;0,25;\n30,25;0,125;x\n9;0,063;\n2;0;\n",
        "opening_um\tretained_mg\n500\t1000\n250\t20000\n125\t30250\n63\t9000\n0\t2000\n",
    ],
    ids=["plain", "marked", "upward", "empty pan", "named pan", "semicolons", "tabs"],
)
def test_sieves(tmp_path, text):
    table = read_size_table(written(tmp_path, text))
    assert table.kind == "sieves" and table.said == []
    np.testing.assert_allclose(table.lower, np.array([0, 63, 125, 250, 500]) * 1e-6)
    np.testing.assert_allclose(table.upper[:-1], np.array([63, 125, 250, 500]) * 1e-6)
    assert np.isinf(table.upper[-1])
    np.testing.assert_allclose(table.amount, np.array([2, 9, 30.25, 20, 1]) * 1e-3)


def test_last_digit_of_a_weighing(tmp_path):
    assert read_size_table(written(tmp_path, SIEVES)).digit == pytest.approx(1e-5)


def test_empty_top_sieve_closes_the_stack_and_a_missing_pan_is_said(tmp_path):
    text = "opening_um,retained_g\n500,0\n250,20\n125,30\n"
    table = read_size_table(written(tmp_path, text))
    np.testing.assert_allclose(table.upper, [250e-6, 500e-6])
    assert "has no pan (opening 0)" in table.said[0]


@pytest.mark.parametrize(
    "name, values, words",
    [
        ("volume_share", [0.2, 0.5, 0.3], "middle of its class"),
        ("volume_share", [20, 50, 30], "middle of its class"),
        ("volume_percent", [20.1, 50.2, 30.1], "middle of its class"),
    ],
)
def test_shares_of_classes(tmp_path, name, values, words):
    rows = "".join(f"{d},{v}\n" for d, v in zip((10, 20, 40), values, strict=True))
    table = read_size_table(written(tmp_path, f"diameter_um,{name}\n{rows}"))
    assert table.kind == "shares" and words in table.said[0]
    np.testing.assert_allclose(table.amount, [0.2, 0.5, 0.3], atol=2e-3)
    root = np.sqrt(2)
    edges = np.array([10 / root, 10 * root, 20 * root, 40 * root]) * 1e-6
    np.testing.assert_allclose(table.lower, edges[:-1])
    np.testing.assert_allclose(table.upper, edges[1:])


@pytest.mark.parametrize(
    "name, values, words",
    [
        ("volume_share", [0.1, 0.6, 1.0], "share below a diameter, of 1"),
        ("volume_share", [10, 60, 100], "share below a diameter, of 100"),
        ("cumulative_volume_share", [0.1, 0.6, 1], "share below a diameter, of 1"),
        ("cumulative_volume_percent", [90, 40, 0], "share above a diameter, of 100"),
    ],
)
def test_cumulative_shares(tmp_path, name, values, words):
    if name == "cumulative_volume_percent":
        values = [100, 40, 0]
    rows = "".join(f"{d},{v}\n" for d, v in zip((10, 20, 40), values, strict=True))
    table = read_size_table(written(tmp_path, f"diameter_um,{name}\n{rows}"))
    assert words in table.said[0]
    if values[0] == 100:
        np.testing.assert_allclose(table.amount, [0.6, 0.4])
        np.testing.assert_allclose(table.lower, [10e-6, 20e-6])
    else:
        np.testing.assert_allclose(table.amount, [0.1, 0.5, 0.4])
        np.testing.assert_allclose(table.lower, [0, 10e-6, 20e-6])


def test_what_a_class_diameter_stands_for(tmp_path):
    path = written(tmp_path, "diameter_um,volume_share\n10,0.2\n20,0.5\n40,0.3\n")
    np.testing.assert_allclose(read_size_table(path, "upper").lower, [5e-6, 10e-6, 20e-6])
    np.testing.assert_allclose(read_size_table(path, "lower").upper, [20e-6, 40e-6, 80e-6])


def test_particles_one_by_one_and_counted(tmp_path):
    table = read_size_table(written(tmp_path, "diameter_um\n9\n7\n8\n8\n20\n"))
    assert table.kind == "list"
    np.testing.assert_allclose(table.lower, np.array([7, 8, 8, 9, 20]) * 1e-6)
    text = "diameter_um,count\n9,2\n7,1\n8,0\n20,3\n"
    table = read_size_table(written(tmp_path, text))
    assert table.kind == "list"
    np.testing.assert_allclose(table.amount, [1, 2, 3])
    text = "diameter_um,count\n10,20\n20,50\n40,30\n"
    table = read_size_table(written(tmp_path, text))
    assert table.kind == "counts" and "33.3 particles a row" in table.said[0]


def test_porosimetry_by_diameter_radius_and_pressure(tmp_path):
    by = {
        "diameter_um": [40, 20, 10],
        "radius_um": [20, 10, 5],
        "radius_nm": [20000, 10000, 5000],
    }
    pressure = float(entered_radius(np.array([1.0]))[0]) / np.array([20e-6, 10e-6, 5e-6])
    by |= {"pressure_kPa": pressure / 1e3, "pressure_MPa": pressure / 1e6}
    for name, sizes in by.items():
        rows = "".join(f"{s:.12g},{v}\n" for s, v in zip(sizes, (0.1, 0.4, 1), strict=True))
        table = read_size_table(written(tmp_path, f"{name},intruded_mL_g\n{rows}"))
        assert table.kind == "intrusion"
        np.testing.assert_allclose(table.lower, [10e-6, 20e-6], rtol=1e-9)
        np.testing.assert_allclose(table.amount, [0.6e-3, 0.3e-3])
        assert any("beyond the widest size" in text for text in table.said)
        assert any("mercury at 130 degrees and 485 mN/m" in t for t in table.said) == (
            name.startswith("pressure")
        )


D = "diameter_um,volume_share\n"
FAULTS = [
    ("", "is empty; a header with opening_um and retained_g (sieves), diameter_um with"),
    ("# only this\n", "is empty"),
    ("size,mass\n1,2\n", "has no columns opening_um and retained_g (sieves)"),
    ("opening_um,mass\n1,2\n", "has no column retained_g or retained_mg"),
    ("retained_g\n1\n", "has no column opening_um or opening_mm, only retained_g"),
    ("opening_um,retained_g\n", "has no rows; 2 to 1000 are expected"),
    ("opening_um,retained_g\num,g\n500,1\n0,2\n", "line 2: retained_g is 'g'; a row of units"),
    (SIEVES.replace("9\n", "-9\n"), "line 5: retained_g is '-9'; a number of at least 0"),
    (SIEVES.replace("63,", "-63,"), "line 5: opening_um is '-63'; a number of at least 0"),
    (SIEVES.replace("63,9", "63,"), "line 5: retained_g is empty; a number"),
    (SIEVES.replace("63,", "300,"), "line 5: opening_um does not go on falling; sort the rows"),
    (SIEVES.replace("63,", "125,"), "line 5: opening_um is that of line 4; each is expected once"),
    (SIEVES + "Total,62.25\n", "line 7: opening_um is 'Total'; a number of at least 0"),
    ("opening_um,retained_g\n500,0\n0,0\n", "every retained_g is 0; at least one must be above 0"),
    ("opening_um,retained_g,diameter_um\n5,1,2\n", "has retained and diameter columns; one kind"),
    ("opening_um,retained_g\n500,1,5\n0,2\n", "line 2: has 3 cells, and the header 2; write"),
    (D + "1,0.3\n2,0.2\n4,0.1\n", "volume_share adds up to 0.6; 1 or 100 (%) is expected, or a"),
    (D + "1,0.3\n-2,0.2\n4,0.5\n", "line 3: diameter_um is '-2'; a number above 0 is expected"),
    (D + "0,0.3\n2,0.2\n4,0.5\n", "line 2: diameter_um is '0'; a number above 0 is expected"),
    (D + "1,0.3\n2,-0.2\n4,0.9\n", "line 3: volume_share is '-0.2'; a number of at least 0"),
    (D + "um,-\n1,0.3\n2,0.7\n", "line 2: volume_share is '-'; a row of units belongs into"),
    (D + "1,0.3\n4,0.2\n2,0.5\n", "line 4: diameter_um does not go on rising; sort the rows"),
    (D + "1,0.3\n2,0.2\n2,0.5\n", "line 4: diameter_um is that of line 3; each is expected once"),
    (D + "1,0\n2,0\n4,0\n", "every volume_share is 0"),
    (D + "1,1\n2,0\n", "has 2 rows; 3 to 1000 are expected"),
    (
        "diameter_um,cumulative_volume_share\n1,0.1\n2,0.5\n4,0.8\n",
        "cumulative_volume_share ends at 0.8; 1 or 100 (%) is expected at one end",
    ),
    (
        "diameter_um,cumulative_volume_share\n1,0.1\n2,0.6\n4,0.5\n8,1\n",
        "cumulative_volume_share goes up and down; a cumulative share goes one way",
    ),
    ("diameter_um,volume_share,count\n1,1,1\n", "has volume_share and count; keep one of them"),
    ("diameter_um,weight\n1,1\n", "has a column weight; name it volume_share or count"),
    ("diameter_um,diameter_mm\n1,1\n", "gives diameter_um and diameter_mm; one column of a kind"),
    ("diameter_um\n1\n2\n", "has 2 particles; at least 5 are expected"),
    ("diameter_um,count\n1,2.5\n2,9\n", "line 2: count is 2.5; a whole number of particles"),
    ("pressure_MPa,intruded_mL_g\n1,0.1\n", "has 1 row; 2 to 20000 are expected"),
    ("pressure_MPa\n1\n", "has no column intruded_mL_g"),
    ("intruded_mL_g\n1\n", "has intruded_mL_g and no column radius_um or"),
    ("pressure_MPa,intruded_mL_g\n1,0.1\n2,0.3\n1.5,0.4\n", "line 4: pressure_MPa does not go on"),
    (
        "pressure_MPa,intruded_mL_g\n1,0.1\n2,0.05\n",
        "line 3: intruded_mL_g must not fall as pressure_MPa rises; it is cumulative",
    ),
    ("radius_um,intruded_mL_g\n2,0.1\n1,0.05\n", "line 3: intruded_mL_g must not fall as radius"),
    ("radius_um,intruded_mL_g\n2,0.1\n1,0.1\n", "intruded_mL_g stays the same"),
    ("radius_um,intruded_mL_g,count\n2,0.1,1\n1,0.2,1\n", "has intruded_mL_g and count; keep one"),
    (b"\x89PNG\r\n\x00\xff", "cannot be read (not UTF-8 text)"),
]


@pytest.mark.parametrize("text, said", FAULTS)
def test_faults_are_one_line(tmp_path, text, said):
    with pytest.raises(TableError) as fault:
        read_size_table(written(tmp_path, text))
    told = str(fault.value)
    assert said in told and "sizes.csv" in told and "\n" not in told


def test_angles_are_for_pressures(tmp_path):
    path = written(tmp_path, "radius_um,intruded_mL_g\n2,0.1\n1,0.2\n")
    with pytest.raises(TableError, match="gives radius_um; an angle or a tension is for pressures"):
        read_size_table(path, angle_deg=140.0)
    with pytest.raises(TableError, match="holds no porosimetry; an angle or a tension is for"):
        read_size_table(written(tmp_path, SIEVES), tension=0.485)
    path = written(tmp_path, "pressure_MPa,intruded_mL_g\n1,0.1\n2,0.2\n")
    with pytest.raises(TableError, match="angle must lie above 90"):
        read_size_table(path, angle_deg=60.0)
    wide = read_size_table(path, angle_deg=140.0, tension=0.48)
    assert wide.upper[-1] == pytest.approx(2 * float(entered_radius(1e6, 140.0, 0.48)))
    assert "130 degrees would make them 0.839 times as wide" in wide.said[0]


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("diameter_um\n5\n1e-300\n7\n", "line 3: diameter_um is 1e-300; from 0.001 to 1e+06 is"),
        (
            "opening_um,retained_g\n500,1\n250,20\n1e-9,9\n",
            "line 4: opening_um is 1e-09; from 0.001 to 1e+06 is expected",
        ),
        (
            "diameter_um,intruded_mL_g\n1e-7,0.3\n30,0.1\n90,0\n",
            "line 2: diameter_um makes a radius of 5e-14 m; pores from 1e-10 to 0.01 m are read",
        ),
    ],
)
def test_sizes_that_nothing_has(tmp_path, text, says):
    path = written(tmp_path, text)
    with pytest.raises(TableError) as caught:
        if "intruded" in text:
            read_intrusion(read_rows(path, "sizes"))
        else:
            read_size_table(path)
    assert says in str(caught.value)
