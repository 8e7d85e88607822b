"""Reads a metrics page with Prometheus's own parser and looks at its names.

The rules are those of the Prometheus documentation, "Metric and label naming" and "Writing
exporters": one prefix, base units as suffix, `_total` on counters and on nothing else, help on all.
"""

import json
import re
import sys
import urllib.request

from prometheus_client.parser import text_string_to_metric_families

UNITS = (
    "seconds", "bytes", "ratio", "celsius", "pascals", "newtons", "volts", "meters", "watts",
    "newton_meters", "radians_per_second", "meters_per_second", "kilograms_per_second",
    "cubic_meters_per_second",
)
# Counts and states have no unit.
PLAIN = re.compile(
    r"(build_info|board_connected|heartbeat_active|cut_active|alarm_active|guard_tripped|store_pulls|"
    r"(store|link)_(\w+_)?(records|frames)|http_streams|channel_number)$"
)
NOT_BASE = re.compile(r"milli|micro|minutes|hours|kilo(?!grams)|_rpm|percent|fahrenheit|kelvin")

with urllib.request.urlopen(sys.argv[1]) as response:
    kind = response.headers["Content-Type"]
    text = response.read().decode()

problems = []
values = {}
if not kind.startswith("text/plain; version=0.0.4"):
    problems.append(f"content type {kind}")
seen = set()
for family in text_string_to_metric_families(text):
    name = family.name
    if name in seen:
        problems.append(f"{name} comes twice")
    seen.add(name)
    if not name.startswith("leverarm_"):
        problems.append(f"{name}: prefix")
    if not family.documentation.strip():
        problems.append(f"{name}: no help")
    if NOT_BASE.search(name):
        problems.append(f"{name}: not a base unit")
    if family.type not in ("counter", "gauge"):
        problems.append(f"{name}: type {family.type}")
    if family.type == "gauge" and (name.endswith("_total") or name.endswith("_count")):
        problems.append(f"{name}: a gauge named like a counter")
    if family.type == "gauge" and not name.endswith(UNITS) and not PLAIN.search(name):
        problems.append(f"{name}: no unit")
    for sample in family.samples:
        if family.type == "counter" and not sample.name.endswith("_total"):
            problems.append(f"{sample.name}: a counter without _total")
        labels = ",".join(f"{key}={value}" for key, value in sorted(sample.labels.items()))
        key = f"{sample.name}{{{labels}}}" if labels else sample.name
        if key in values:
            problems.append(f"{key} comes twice")
        values[key] = sample.value
json.dump({"problems": problems, "values": values}, sys.stdout)
