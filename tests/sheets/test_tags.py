"""Tagged PDF: what poppler's pdfinfo reads of the structure (ISO 32000-1, 14.8)."""

import os
import pathlib
import re
import subprocess
import unittest

DIR = pathlib.Path(os.environ["SHEETS_DIR"])


def pdfinfo(*words):
    return subprocess.run(["pdfinfo", *words], check=True, capture_output=True, text=True).stdout


def leverarm(*words):
    words = [os.environ["LEVERARM"], *words, "--store", str(DIR / "pulls")]
    subprocess.run(words, check=True, capture_output=True, text=True)


def elements(file):
    """Depth and kind of each element of the structure tree, in reading order."""
    lines = pdfinfo("-struct", str(file)).splitlines()
    found = [re.match(r"( *)([A-Z][A-Za-z0-9]*)\b", line) for line in lines]
    return [(len(match[1]) // 2, match[2]) for match in found if match]


class Tags(unittest.TestCase):
    @classmethod
    def setUpClass(cls):
        cls.files = [DIR / "tagged-sheet.pdf", DIR / "tagged-series.pdf"]
        leverarm("sheet", "main jet 105", "main jet 110", "--typical-refit", "0.05 %",
                 "--pdf", str(cls.files[0]))
        leverarm("series", "--typical-refit", "0.05 %", "--pdf", str(cls.files[1]), "--units", "us")

    def test_both_are_tagged_and_have_a_language_and_a_title(self):
        for file in self.files:
            said = pdfinfo(str(file))
            self.assertRegex(said, r"Tagged: +yes")
            self.assertRegex(said, r"Title: +\S")
            self.assertIn(b"/Lang", file.read_bytes())

    def test_headings_figures_and_tables_are_what_they_are(self):
        for file in self.files:
            kinds = [kind for _, kind in elements(file)]
            self.assertEqual(kinds[:2], ["Document", "H1"], file)
            for kind in ["H2", "P", "L", "LI", "LBody", "Table", "THead", "TBody", "TH", "TD"]:
                self.assertIn(kind, kinds, file)
            figures = pdfinfo("-struct", str(file)).count("Figure")
            self.assertGreaterEqual(figures, 2, file)

    def test_every_row_of_a_table_has_as_many_cells(self):
        for file in self.files:
            cells, tables = [], []
            for _, kind in elements(file):
                if kind == "Table":
                    tables.append(cells := [])
                elif kind == "TR":
                    cells.append(0)
                elif kind in ("TH", "TD"):
                    cells[-1] += 1
            self.assertTrue(tables)
            for counts in tables:
                self.assertEqual(len(set(counts)), 1, (file, counts))

    def test_paper_follows_the_units(self):
        self.assertRegex(pdfinfo(str(self.files[0])), r"Page size: .*A4")
        self.assertRegex(pdfinfo(str(self.files[1])), r"Page size: .*letter")


if __name__ == "__main__":
    unittest.main()
