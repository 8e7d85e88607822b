#!/usr/bin/env python3
"""Makes the two plot fonts out of Inter (Debian package fonts-inter 4.0~beta7).

    apt-get download fonts-inter && dpkg -x fonts-inter_*.deb inter
    pip install fonttools==4.68.0
    python3 subset.py inter/usr/share/fonts/opentype/inter .

Kept: Latin, Greek, Cyrillic and the signs of units; kerning and marks. The digits of the normal
weight are replaced by the font's own tabular digits, so that the figures of an axis stand in
columns. The family is renamed: it is a modified version.
"""

import sys
from pathlib import Path

from fontTools import subset
from fontTools.ttLib import TTFont

FAMILY = "Leverarm Sans"
# Source weight, style name, weight class. Medium stands for "normal": thin strokes drown in video.
WEIGHTS = [("Medium", "Regular", 400), ("Bold", "Bold", 700)]
RANGES = [
    (0x20, 0x7E), (0xA0, 0x17F), (0x218, 0x21B), (0x2BC, 0x2BC), (0x300, 0x304), (0x370, 0x3FF),
    (0x400, 0x45F), (0x490, 0x491), (0x2010, 0x2027), (0x202F, 0x2033), (0x2070, 0x209C),
    (0x20AC, 0x20AC), (0x2116, 0x2116), (0x2126, 0x2126), (0x2190, 0x2199), (0x2206, 0x2206),
    (0x2211, 0x2212), (0x221A, 0x221E), (0x2248, 0x2248), (0x2260, 0x2265), (0x22C5, 0x22C5),
    (0xFFFD, 0xFFFD),
]


def tabular_digits(font):
    """Points the digits' code points at the glyphs of the feature tnum."""
    gsub = font["GSUB"].table
    lookups = {
        index
        for record in gsub.FeatureList.FeatureRecord
        if record.FeatureTag == "tnum"
        for index in record.Feature.LookupListIndex
    }
    swap = {}
    for index in lookups:
        for table in gsub.LookupList.Lookup[index].SubTable:
            swap.update(getattr(table, "ExtSubTable", table).mapping)
    for table in font["cmap"].tables:
        for digit in range(0x30, 0x3A):
            if digit in table.cmap:
                table.cmap[digit] = swap.get(table.cmap[digit], table.cmap[digit])


def make(source, target):
    for weight, style, weight_class in WEIGHTS:
        font = TTFont(source / f"Inter-{weight}.otf")
        if style == "Regular":
            tabular_digits(font)
        options = subset.Options()
        options.layout_features = ["kern", "mark", "mkmk", "ccmp", "locl"]
        options.name_IDs = [0, 1, 2, 4, 5, 6, 13, 14]
        options.notdef_outline = True
        subsetter = subset.Subsetter(options)
        subsetter.populate(unicodes=[c for low, high in RANGES for c in range(low, high + 1)])
        subsetter.subset(font)
        font["OS/2"].usWeightClass = weight_class
        name = font["name"]
        for name_id, text in [
            (1, FAMILY),
            (2, style),
            (4, f"{FAMILY} {style}"),
            (6, f"{FAMILY.replace(' ', '')}-{style}"),
        ]:
            for record in [r for r in name.names if r.nameID == name_id]:
                record.string = text
        cff = font["CFF "].cff
        cff.fontNames = [f"{FAMILY.replace(' ', '')}-{style}"]
        cff.topDictIndex[0].FamilyName = FAMILY
        cff.topDictIndex[0].FullName = f"{FAMILY} {style}"
        font["head"].modified = font["head"].created
        font.recalcTimestamp = False
        font.save(target / f"LeverarmSans-{style}.otf")


make(Path(sys.argv[1]), Path(sys.argv[2]))
