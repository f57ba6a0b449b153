"""Commands as typed, in a process of their own."""

import json
import os
import subprocess
import sys

RUN = "import sys; from spc.cli.app import main; sys.argv[0] = 'spc'; main()"
ALL = """
import contextlib, io, json, sys
from spc.cli.app import main
said = []
for words in json.load(sys.stdin):
    sys.argv, out, err, status = ["spc", *words], io.StringIO(), io.StringIO(), 0
    with contextlib.redirect_stdout(out), contextlib.redirect_stderr(err):
        try:
            main()
        except SystemExit as end:
            status = end.code or 0
    said.append((" ".join(words), status, out.getvalue() + err.getvalue()))
json.dump(said, sys.stdout)
"""


def spc(*words, before="", environment=()):
    return subprocess.run(
        [sys.executable, "-c", before + RUN, *words], capture_output=True, text=True,
        env={**os.environ, **dict(environment)},
    )  # fmt: skip


def spc_each(commands):
    """Several commands in one process of their own: words, status and what was said to each."""
    done = subprocess.run([sys.executable, "-c", ALL], input=json.dumps(commands),
                          capture_output=True, text=True)  # fmt: skip
    return json.loads(done.stdout)
