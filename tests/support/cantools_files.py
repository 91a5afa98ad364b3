"""The DBC files that cantools ships as test files in its source distribution.

They are fetched once from the package registry into the folder of pytest's cache, whether or not
its plugin is on, and never copied into the project.
"""

import importlib.metadata
import subprocess
import sys
import tarfile
from pathlib import Path

import pytest


@pytest.fixture(scope="session")
def cantools_dbc_files(request: pytest.FixtureRequest) -> list[Path]:
    version = importlib.metadata.version("cantools")
    folder = request.config.rootpath / ".pytest_cache" / "d" / f"cantools-{version}-dbc"
    folder.mkdir(parents=True, exist_ok=True)
    if not list(folder.glob("*.tar.gz")):
        command = [sys.executable, "-m", "pip", "download", "--quiet", "--no-deps"]
        command += ["--no-binary", "cantools", "--dest", str(folder), f"cantools=={version}"]
        done = subprocess.run(command, capture_output=True, text=True, check=False)
        if done.returncode:
            pytest.fail(
                "The source distribution of cantools could not be fetched from the package "
                f"registry, which this test needs:\n{done.stderr}",
                pytrace=False,
            )
    with tarfile.open(next(folder.glob("*.tar.gz"))) as archive:
        for member in archive.getmembers():
            if member.name.endswith(".dbc"):
                target = folder / Path(member.name).name
                if not target.exists():
                    content = archive.extractfile(member)
                    assert content is not None
                    target.write_bytes(content.read())
    return sorted(folder.glob("*.dbc"))
