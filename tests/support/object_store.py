"""An object store on 127.0.0.1, by moto, in a process of its own that can be killed."""

from __future__ import annotations

import os
import subprocess
import sys
import time
import urllib.request
from collections.abc import Iterator
from contextlib import contextmanager

import boto3
import pytest

SERVER = """
import sys
from moto.server import ThreadedMotoServer
server = ThreadedMotoServer(ip_address="127.0.0.1", port=0, verbose=False)
server.start()
print(server.get_host_and_port()[1], flush=True)
sys.stdin.read()
"""


@contextmanager
def object_store(patch: pytest.MonkeyPatch) -> Iterator[subprocess.Popen[str]]:
    """A store with the bucket ``shop``; the environment leads there while it lasts."""
    for name in list(os.environ):
        if name.startswith("AWS_"):
            patch.delenv(name)
    process = subprocess.Popen(
        [sys.executable, "-W", "ignore", "-c", SERVER],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        stderr=subprocess.DEVNULL,
        text=True,
    )
    try:
        assert process.stdout is not None
        url = f"http://127.0.0.1:{process.stdout.readline().strip()}"
        patch.setenv("AWS_ENDPOINT_URL", url)
        patch.setenv("AWS_ACCESS_KEY_ID", "nobody")
        patch.setenv("AWS_SECRET_ACCESS_KEY", "nothing")
        patch.setenv("AWS_DEFAULT_REGION", "us-east-1")
        patch.setenv("AWS_MAX_ATTEMPTS", "1")
        for _ in range(200):
            try:
                urllib.request.urlopen(url, timeout=1).read()
                break
            except OSError:
                time.sleep(0.05)
        boto3.client("s3").create_bucket(Bucket="shop")
        yield process
    finally:
        process.kill()
        process.wait()
