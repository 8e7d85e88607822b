"""Exports read back by asammdf, pyarrow and Python's csv module."""

import csv
import hashlib
import json
import math
import os
import pathlib
import subprocess
import unittest
from datetime import datetime, timezone

import numpy
import pyarrow.parquet
from asammdf import MDF

DIR = pathlib.Path(os.environ["SHEETS_DIR"])
# What the simulated store says: its first pull, a minute after its beginning.
FIRST = datetime.fromtimestamp(1_760_000_000 + 60, timezone.utc)


def leverarm(*words):
    words = [os.environ["LEVERARM"], *words, "--store", str(DIR / "pulls")]
    return subprocess.run(words, check=True, capture_output=True, text=True).stdout


def export(name, *words):
    leverarm("export", *words, "--out", str(DIR / name))
    return DIR / name


def rows_of(file):
    with file.open(newline="") as lines:
        names, units, *rows = csv.reader(lines)
    return names, units, rows


def shown(pull):
    return json.loads(leverarm("show", str(pull), "--json"))


class Reduced(unittest.TestCase):
    def test_mdf4_has_units_start_time_and_the_curve(self):
        with MDF(export("curves.mf4", "1", "2")) as mdf:
            self.assertEqual(mdf.version, "4.10")
            self.assertEqual(mdf.header.start_time.astimezone(timezone.utc), FIRST)
            self.assertIn("correction", mdf.header.comment)
            torque = mdf.get("torque", group=0)
            self.assertEqual(torque.unit, "N·m")
            self.assertEqual(mdf.get("power", group=0).unit, "W")
            self.assertEqual(mdf.get("rpm", group=0).unit, "rpm")
            curve = shown(1)
            rpm = mdf.get("rpm", group=0).samples
            numpy.testing.assert_allclose(rpm, curve["rpm"])
            trusted = numpy.array(curve["trustworthy"])
            expected = [nm for nm in curve["torque_nm"] if nm is not None]
            numpy.testing.assert_allclose(torque.samples[trusted], expected, rtol=1e-12)
            self.assertTrue(numpy.isnan(torque.samples[~trusted]).all())
            self.assertTrue((numpy.diff(torque.timestamps) > 0).all())
            # The second pull came a minute later.
            later = mdf.get("torque", group=1).timestamps[0] - torque.timestamps[0]
            self.assertAlmostEqual(later, 60, delta=1)
            self.assertEqual(mdf.groups[1].channel_group.acq_name, "pull 2, main jet 105")

    def test_parquet_has_units_and_the_curve(self):
        table = pyarrow.parquet.read_table(export("curves.parquet", "1", "2"))
        said = {key.decode(): value.decode() for key, value in table.schema.metadata.items()}
        self.assertEqual(said["unit.torque"], "N·m")
        self.assertEqual(said["unit.time"], "s")
        self.assertEqual(len(said["stand_file_sha256"]), 64)
        first = table.filter(pyarrow.compute.equal(table["pull"], 1))
        curve = shown(1)
        self.assertEqual(first["rpm"].to_pylist(), curve["rpm"])
        for found, expected in zip(first["torque"].to_pylist(), curve["torque_nm"]):
            if expected is None:
                self.assertTrue(math.isnan(found))
            else:
                self.assertEqual(found, expected)
        self.assertEqual(set(table["setup"].to_pylist()), {"main jet 105"})
        self.assertEqual(set(table["pull"].to_pylist()), {1, 2})
        # These came from no simulated board: a rehearsal's would say so.
        self.assertEqual(set(table["simulated"].to_pylist()), {0})
        self.assertNotIn("rehearsal", said)

    def test_csv_has_a_units_row_and_comes_back_as_an_overlay(self):
        file = export("curve.csv", "1")
        names, units, rows = rows_of(file)
        self.assertEqual(names[:4], ["time", "rpm", "torque", "power"])
        self.assertEqual(units[:4], ["s", "rpm", "N·m", "W"])
        curve = shown(1)
        self.assertEqual([float(row[1]) for row in rows], curve["rpm"])
        values = [float(row[2]) if row[2] else None for row in rows]
        self.assertEqual(values, curve["torque_nm"])
        text = leverarm("compare", "main jet 105", "main jet 110", "--overlay", str(file))
        self.assertIn("curve (imported): imported from curve.csv: not measured here", text)

    def test_all_pulls_of_a_setup(self):
        table = pyarrow.parquet.read_table(export("setup.parquet", "--setup", "main jet 110"))
        self.assertEqual(set(table["pull"].to_pylist()), {4, 5, 6})


class Raw(unittest.TestCase):
    def test_teeth_are_those_the_board_sent(self):
        with MDF(export("raw.mf4", "1", "--raw")) as mdf:
            self.assertEqual(mdf.header.start_time.astimezone(timezone.utc), FIRST)
            teeth = mdf.get("counts", group=0)
        table = pyarrow.parquet.read_table(export("raw.parquet", "1", "--raw"))
        self.assertEqual(table["counts"].to_pylist(), teeth.samples.tolist())
        numpy.testing.assert_allclose(table["time"].to_numpy(), teeth.timestamps, atol=1e-12)
        self.assertEqual(set(table["channel"].to_pylist()), {"teeth_0"})
        # Teeth follow each other, and there are as many as turns of the drum times eight.
        self.assertTrue((numpy.diff(teeth.samples) == 1).all())
        names, units, rows = rows_of(export("raw.csv", "1", "--raw"))
        self.assertEqual([int(row[names.index("counts")]) for row in rows], teeth.samples.tolist())
        self.assertEqual(units[names.index("time")], "s")

    def test_the_bytes_are_what_the_sheet_names(self):
        file = export("pull.bin", "1")
        pulls = json.loads(leverarm("compare", "main jet 105", "main jet 110", "--json"))["pulls"]
        self.assertEqual(pulls[0]["pull"], 1)
        self.assertEqual(hashlib.sha256(file.read_bytes()).hexdigest(), pulls[0]["sha256"])


if __name__ == "__main__":
    unittest.main()
