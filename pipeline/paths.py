"""Where raw data, the clean store and the pages are, relative to the folder that commands run in."""

from __future__ import annotations

from pathlib import Path

RAW_FOLDER = Path("data_raw")
STORE_FILE = Path("data_clean/study.duckdb")
OUTPUT_FOLDER = Path("reports/output")
