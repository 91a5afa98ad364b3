"""Fleets need the libraries of the extra ``busplan[fleet]``."""

import pytest

for name in ("distributed", "deltalake", "duckdb", "fsspec"):
    pytest.importorskip(name)
