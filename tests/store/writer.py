"""Writes to a study's journal in processes of its own: `python writer.py FOLDER`, then a command a line on stdin.

`write BY` starts a child that records pairs of operations until it is killed, and says the ids of each pair after it was
acknowledged. `threads BY` starts a child in which eight threads record. The child's number is said first; after its end
stands "ended" and how. Children are forked, so that they start at once.
"""

from __future__ import annotations

import os
import sys
import threading
from itertools import count
from pathlib import Path

from workbench.store.opening import open_store
from workbench.store.operations import new_operation
from workbench.study import Study, open_study

THREADS, EACH = 8, 12


def say(*words: object) -> None:
    os.write(1, (" ".join(map(str, words)) + "\n").encode())


def write(study: Study, by: str) -> None:
    journal = open_store(study)
    say("writing")
    for number in count():
        pair = [new_operation(by, "coding", f"{by}/{os.getpid()}/{number}/{half}", {"n": number}) for half in "ab"]
        journal.record(pair)
        say(*(one.id for one in pair))


def threads(study: Study, by: str) -> None:
    journal = open_store(study)
    faults: list[BaseException] = []

    def work(thread: int) -> None:
        name = f"{by}-{thread}"
        try:
            for number in range(EACH):
                journal.record([new_operation(name, "coding", f"{name}/{number}", {"n": number})])
                assert len(journal.present("coding", by=name)) == number + 1
            journal.undo(name)
        except BaseException as fault:
            faults.append(fault)

    working = [threading.Thread(target=work, args=(thread,)) for thread in range(THREADS)]
    for thread in working:
        thread.start()
    for thread in working:
        thread.join()
    journal.close()
    if faults:
        raise faults[0]


def main() -> None:
    study = open_study(Path(sys.argv[1]))
    children = 0
    for line in sys.stdin:
        command, by = line.split()
        child = os.fork()
        if not child:
            try:
                {"write": write, "threads": threads}[command](study, by)
            except BaseException as fault:
                say("failed", repr(fault))
                os._exit(1)
            os._exit(0)
        say("child", child)
        children += 1
        if command == "write":
            say("ended", os.waitstatus_to_exitcode(os.waitpid(child, 0)[1]))
            children -= 1
    for _ in range(children):
        say("ended", os.waitstatus_to_exitcode(os.wait()[1]))


if __name__ == "__main__":
    main()
