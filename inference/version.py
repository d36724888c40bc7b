"""The version that every reading names. A test compares it with pyproject.toml."""

from typing import Final

VERSION: Final = "0.1.0"
