"""Values as cells of comma-separated text (RFC 4180) that no spreadsheet runs."""

from typing import Any, Final

_STARTS_A_FORMULA: Final = ("=", "+", "-", "@", "\t", "\r", "\n", "＝", "＋", "－", "＠")
"""First signs that make a spreadsheet run a text cell as a formula. Common practice (OWASP, "CSV Injection")."""


def cell(value: Any) -> str:
    """A value as text: unknown is empty, several texts are joined, what would run gets an apostrophe in front."""
    if value is None:
        return ""
    if isinstance(value, str | list):
        text = value if isinstance(value, str) else "; ".join(value)
        return "'" + text if text.startswith(_STARTS_A_FORMULA) else text
    return value.isoformat() if hasattr(value, "isoformat") else str(value)
