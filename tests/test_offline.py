"""No command reaches for the network: an audit hook of the interpreter watches whole runs."""

import os
import subprocess
import sys
from pathlib import Path

from standin import draw_frames, write_dicom

PROGRAM = """
import sys
used = []
def watch(event, given):
    # A library that is imported asks whether this computer knows IPv6, by a socket of its own.
    is_own = event == "socket.__new__" or (event == "socket.bind" and given[1][0] == "::1")
    if event.startswith("socket.") and not is_own:
        used.append(event)
sys.addaudithook(watch)
from layermotion.cli import main
for line in sys.stdin.read().splitlines():
    try:
        main(line.split("|"))
    except SystemExit as left:
        print(left.code, flush=True)
assert "onnxruntime" in sys.modules and "openpyxl" in sys.modules and "av" in sys.modules
print("used", used)
import socket
with socket.socket() as one:
    one.connect_ex(("127.0.0.1", 9))
assert used == ["socket.connect"], "the hook sees nothing"
"""


def test_no_command_uses_the_network(tmp_path: Path) -> None:
    visit = tmp_path / "visit"
    visit.mkdir()
    clip = write_dicom(visit / "left_draw_in_1.dcm", draw_frames(6))
    lines = [
        ["measure", clip, "--out", tmp_path / "results", "--no-overlay"],
        ["session", visit, "--plan", tmp_path / "plan.csv"],
        ["plan", "--subjects", "6", "--sessions", "2", "--raters", "2", "--template",
         tmp_path / "entry.xlsx"],
        ["lab", "init", tmp_path / "lab", "--secret", tmp_path / "secret"],
        ["models", "list", "--models", tmp_path / "models"],
    ]  # fmt: skip
    asked = "\n".join("|".join(map(str, line)) for line in lines)
    done = subprocess.run(
        [sys.executable, "-c", PROGRAM],
        input=asked,
        capture_output=True,
        text=True,
        env={**os.environ, "XDG_CONFIG_HOME": str(tmp_path / "settings")},
    )
    assert done.returncode == 0, done.stderr
    codes = [line for line in done.stdout.splitlines() if line in ("0", "1", "2")]
    assert len(codes) == len(lines) and set(codes[1:]) == {"0"}, done.stderr
    assert done.stdout.splitlines()[-1] == "used []"
    assert all((tmp_path / name).exists() for name in ("plan.csv", "entry.xlsx", "lab"))
