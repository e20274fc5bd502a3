"""Names and codes that somebody might send to make trouble."""

from __future__ import annotations

NAMES = (
    "../../../etc/passwd",
    "..\\..\\windows\\system32\\losses.csv",
    "/etc/shadow",
    "C:\\losses.csv",
    "losses.csv/../../up.csv",
    "....//....//losses.csv",
    "losses\0.csv",
    "los\nses\r.csv",
    "",
    ".",
    "..",
    "/",
    ".htaccess",
    "con.csv",
    "NUL",
    "<script>alert(1)</script>.csv",
    '"><img src=x onerror=alert(1)>.csv',
    "{{ 7*7 }}.csv",
    "=cmd|' /C calc'!A0.csv",
    "losses_\u202egnp.csv",
    "x" * 5_000 + ".csv",
    "🐟" * 300 + ".csv.gz",
    "losses.csv" + "/a" * 400,
    "about.json",
    ".about.json",
    "%2e%2e%2flosses.csv",
)
SCRIPT_CODE = '<img src=x onerror="document.title=1">'
