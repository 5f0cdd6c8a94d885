"""A disk that takes nothing more: said as such, nothing half written, offered again later."""

import subprocess
import sys

from monitor.journal import Reader, verify
from tests.journal.making import make

CODE = """
import resource, sys
from pathlib import Path
from monitor.entries import Mark
from monitor.journal import Journal, JournalFullError, append_entry
from tests.journal.making import STARTED, readings

hard = resource.getrlimit(resource.RLIMIT_FSIZE)[1]
journal = Journal.create(Path(sys.argv[1]), STARTED, None)
journal.append(readings(10))
resource.setrlimit(resource.RLIMIT_FSIZE, (300_000, hard))
batch = readings(20_000, from_s=20.0)
for _ in range(2):
    try:
        journal.append(batch)
    except JournalFullError as error:
        print(error)
journal.append(readings(5, from_s=20.0))
resource.setrlimit(resource.RLIMIT_FSIZE, (hard, hard))
journal.append(batch)
journal.close()
"""


def test_a_batch_for_which_there_is_no_room_can_be_offered_again(tmp_path):
    """The size that a file may have is limited for one process, as a quota would."""
    path = tmp_path / "a.run"
    done = subprocess.run(
        [sys.executable, "-c", CODE, str(path)], capture_output=True, text=True, check=True
    )

    assert ["the disk took nothing more" in line for line in done.stdout.splitlines() if line] == [
        True,
        True,
    ]
    with Reader(path) as reader:
        assert reader.head()[0] == 1 + 10 + 5 + 20_000
    assert verify(path).ok
    assert [file.name for file in tmp_path.iterdir()] == ["a.run"]


COPY = """
import resource, sys
from pathlib import Path
from monitor.journal import JournalFullError, copy_journal

hard = resource.getrlimit(resource.RLIMIT_FSIZE)[1]
resource.setrlimit(resource.RLIMIT_FSIZE, (50_000, hard))
try:
    copy_journal(Path(sys.argv[1]), Path(sys.argv[2]))
except JournalFullError as error:
    print(error)
"""


def test_a_copy_for_which_there_is_no_room_leaves_no_half_of_one(tmp_path):
    """The same words can be tried again once there is room."""
    whole, copy = make(tmp_path / "a.run", 2000), tmp_path / "b.run"
    ended = subprocess.run(
        [sys.executable, "-c", COPY, whole, copy], capture_output=True, text=True, check=True
    )

    assert ended.stdout.startswith(f"journal {copy}: the disk took nothing more")
    assert [file.name for file in tmp_path.iterdir()] == ["a.run"]
