"""Many boards: one that fails leaves the others alone, a stopped batch resumes, a cluster gives the same."""

from __future__ import annotations

import json
import os
import shutil
import socket
import subprocess
import sys
from html.parser import HTMLParser

import pytest

from quietcopper.build import rectangle, small_board
from quietcopper.cli import main
from quietcopper.cli.batch import DONE, Job, plan, review_board
from quietcopper.errors import CallError, ReadError
from quietcopper.findings import Decision
from quietcopper.formats.find import find_boards
from quietcopper.formats.ipc2581.writer import write_ipc2581
from quietcopper.report.batch import FAILED, REFUSED, REVIEWED, headline, render_index
from quietcopper.review.decisions import append_decision


def write_board(path, *, split):
    """A clock over a supply, cut in two or whole."""
    b = small_board(ground=(2,))
    b.net("3V3", kind="power")
    b.net("5V", kind="power")
    b.area("3V3", 3, rectangle(0.5, 0.5, 24.75 if split else 49.5, 29.5))
    if split:
        b.area("5V", 3, rectangle(25.25, 0.5, 49.5, 29.5))
    b.trace("SPI_CLK", 4, [(5, 15), (45, 15)])
    write_ipc2581(b.build(), path)


@pytest.fixture
def many(tmp_path):
    """Two good boards, one in a folder below, a damaged one, an XML file of something else, and side files."""
    folder = tmp_path / "boards"
    (folder / "below").mkdir(parents=True)
    write_board(folder / "split.xml", split=True)
    write_board(folder / "below" / "whole.xml", split=False)
    whole = (folder / "split.xml").read_bytes()
    (folder / "cut.xml").write_bytes(whole[: len(whole) // 2])
    (folder / "other.xml").write_text("<settings/>", encoding="utf-8")
    (folder / "notes.txt").write_text("nothing to review", encoding="utf-8")
    (folder / "split.toml").write_text('[review]\ntitle = "The split one"\n', encoding="utf-8")
    return folder


def index(folder):
    return {row["board"]: row for row in json.loads((folder / "index.json").read_text(encoding="utf-8"))["boards"]}


def test_every_board_is_reviewed_or_listed_with_its_sentence(many, tmp_path, capsys):
    out = tmp_path / "out"
    assert main(["batch", str(many), "-o", str(out), "-j", "2"]) == 0
    rows = index(out)
    assert {name: row["status"] for name, row in rows.items()} == {
        "split.xml": REVIEWED,
        "below/whole.xml": REVIEWED,
        "cut.xml": REFUSED,
        "other.xml": REFUSED,
    }
    assert rows["split.xml"]["title"] == "The split one"
    assert rows["split.xml"]["grades"]["change it"] > 0
    assert rows["split.xml"]["worst"]["excess_db"] > 6
    assert rows["cut.xml"]["sentence"].startswith("cut.xml:")
    assert str(tmp_path) not in (out / "index.json").read_text(encoding="utf-8")
    assert next(iter(rows)) == "split.xml"  # the worst first
    printed = capsys.readouterr().out
    assert "other.xml: found an XML file that does not begin with <IPC-2581>" in printed
    page = (out / "index.html").read_text(encoding="utf-8")
    assert "Two boards reviewed, all of them with places to change; two could not be reviewed." in page
    for name in ("split", "below-whole"):
        assert f'href="{name}/review.html"' in page
        assert (out / name / "review.html").exists()
        assert (out / name / "review.pdf").exists()
    assert not (out / "cut").exists()


def test_a_stopped_batch_resumes_and_takes_up_what_changed(many, tmp_path):
    out = tmp_path / "out"
    call = ["batch", str(many), "-o", str(out), "-j", "1", "-q"]
    assert main(call) == 0
    stamps = {name: (out / name / "findings.json").stat().st_mtime_ns for name in ("split", "below-whole")}
    shutil.rmtree(out / "below-whole")  # as if it had been stopped before this one
    (out / "index.json").unlink()
    assert main(call) == 0
    assert (out / "split" / "findings.json").stat().st_mtime_ns == stamps["split"]
    assert (out / "below-whole" / DONE).exists()
    earlier = index(out)["below/whole.xml"]
    assert earlier["status"] == REVIEWED
    # a decision and another board are changes; a review without its last file was not finished
    first = json.loads((out / "split" / "findings.json").read_text(encoding="utf-8"))["findings"][0]["id"]
    append_decision(many / "split.decisions.jsonl", Decision(first, "agreed", "", "A. Weber", "2025-11-25T09:00:00Z"))
    write_board(many / "below" / "whole.xml", split=True)
    assert main(call) == 0
    assert index(out)["split.xml"]["decided"] == "1 agreed"
    assert index(out)["below/whole.xml"]["worst"] != earlier["worst"]
    (out / "split" / DONE).write_text("{", encoding="utf-8")
    before = (out / "split" / "findings.json").stat().st_mtime_ns
    assert main(call) == 0
    assert (out / "split" / "findings.json").stat().st_mtime_ns > before


def dies_on_split(job):
    """Stands for a reviewer that the system ends: one board takes its process with it."""
    if job.name == "split.xml":
        os._exit(9)
    return review_board(job)


def test_a_board_that_ends_its_process_fails_alone(many, tmp_path):
    jobs = plan(many, tmp_path / "out", None, again=False)
    (tmp_path / "out").mkdir()
    # the workers import this file by its path, so they get the function by way of PYTHONPATH
    code = (
        "import sys, json; sys.path.insert(0, sys.argv[1])\n"
        "import test_cli_batch as t; from pathlib import Path\n"
        "from quietcopper.cli.batch import in_processes, plan\n"
        "if __name__ == '__main__':\n"
        "    jobs = plan(Path(sys.argv[2]), Path(sys.argv[3]), None, False)\n"
        "    print(json.dumps(list(in_processes(jobs, 2, t.dies_on_split))))\n"
    )
    script = tmp_path / "run.py"
    script.write_text(code, encoding="utf-8")
    words = [sys.executable, str(script), os.path.dirname(__file__), str(many), str(tmp_path / "out")]
    said = subprocess.run(words, capture_output=True, text=True, check=True)
    rows = {row["board"]: row for row in json.loads(said.stdout)}
    assert set(rows) == {job.name for job in jobs}
    assert rows["split.xml"]["status"] == FAILED
    assert "ended by the system" in rows["split.xml"]["sentence"]
    assert rows["below/whole.xml"]["status"] == REVIEWED


def test_a_fault_of_the_program_is_a_sentence_too(many, tmp_path, monkeypatch):
    import quietcopper.cli.review as review_module

    def broken(*_, **__):
        raise ZeroDivisionError("float division by zero")

    monkeypatch.setattr(review_module, "review_to_folder", broken)
    row = review_board(Job("split.xml", str(many / "split.xml"), None, str(tmp_path / "o"), again=False))
    assert row["status"] == FAILED
    assert row["sentence"] == "it failed: ZeroDivisionError: float division by zero"


def test_boards_are_found_below_a_folder_and_reviews_are_none(many, tmp_path):
    gerber = many / "fabrication"
    gerber.mkdir()
    (gerber / "top.gbr").write_text("%FSLAX46Y46*%\n%MOMM*%\nM02*\n", encoding="ascii")
    review = many / "old-review"
    (review / "markup").mkdir(parents=True)
    (review / "findings.json").write_text("{}", encoding="utf-8")
    (review / "markup" / "places.gbr").write_text("%FSLAX46Y46*%\nM02*\n", encoding="ascii")
    (many / "out").mkdir()
    shutil.copy(many / "split.xml", many / "out" / "copy.xml")
    found = [p.relative_to(many).as_posix() for p in find_boards(many, leave_out=many / "out")]
    assert found == ["cut.xml", "other.xml", "split.xml", "below/whole.xml", "fabrication"]
    assert find_boards(gerber) == [gerber]
    with pytest.raises(ReadError, match="found no folder"):
        find_boards(many / "split.xml")
    with pytest.raises(CallError, match="no board in it"):
        plan(review, tmp_path / "o", None, again=False)


def test_two_boards_never_share_a_folder(many, tmp_path):
    for name in ("a b.xml", "a?b.xml", "A_b.xml"):
        shutil.copy(many / "split.xml", many / name)
    jobs = plan(many, tmp_path / "out", None, again=False)
    folders = [job.folder.lower() for job in jobs]  # some file systems know no case
    assert len(set(folders)) == len(folders)
    assert all(os.path.dirname(job.folder) == str(tmp_path / "out") for job in jobs)


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["-j", "0"], "--jobs is 0"),
        (["-o", "{file}"], "is a file"),
        (["--scheduler", "tcp://127.0.0.1:1"], "no Dask scheduler answers there"),
    ],
)
def test_a_call_that_cannot_work_is_one_line(many, capsys, monkeypatch, words, said):
    if "--scheduler" in words:
        pytest.importorskip("distributed", reason="the extra 'cluster' is not installed")
        monkeypatch.setattr("quietcopper.cli.batch.CONNECT_SECONDS", 0.5)
    out = [] if "-o" in words else ["-o", str(many.parent / "o")]
    assert main(["batch", str(many), *out, *(w.format(file=many / "split.xml") for w in words)]) == 2
    err = capsys.readouterr().err
    assert said in err
    assert len(err.strip().splitlines()) == 1


def row(name, status=REVIEWED, **changes):
    reviewed = {
        "title": name, "outline_mm": [10, 20], "layers": 4, "nets": 9, "parts": 3,
        "grades": {"change it": 1, "improve it": 0, "watch it": 2},
        "worst": {"title": "a cause", "excess_db": 7.0}, "decided": "", "not_checked": 1,
    }  # fmt: skip
    sentence = "" if status == REVIEWED else "broken"
    return (
        {"board": name, "folder": name, "status": status, "sentence": sentence}
        | (reviewed if status == REVIEWED else {})
        | changes
    )


def test_the_index_escapes_names_and_links_inside_itself(tmp_path):
    bad = "</td><script>alert(1)</script>&\"'#?%.xml"
    page = render_index([row(bad, title=bad), row("x", REFUSED, sentence=bad)])

    class Reader(HTMLParser):
        tags, links = [], []

        def handle_starttag(self, tag, attrs):
            self.tags.append(tag)
            self.links += [value for key, value in attrs if key == "href"]

    reader = Reader()
    reader.feed(page)
    assert "script" not in reader.tags
    assert len(reader.links) == 2
    for link in reader.links:
        assert link.startswith("%3C/td%3E%3Cscript%3E")
        assert "#" not in link
        assert "?" not in link


def test_the_headline_counts():
    assert headline([row("a")]) == "One board reviewed."
    quiet = {"change it": 0, "improve it": 1, "watch it": 0}
    assert headline([row("a"), row("b", grades=quiet)]) == "Two boards reviewed, one of them with places to change."
    assert headline([row("a", grades=quiet)] * 3) == "Three boards reviewed, none of them with places to change."
    assert headline([row("a", FAILED)]) == "No boards reviewed; one could not be reviewed."


def free_port():
    with socket.socket() as s:
        s.bind(("127.0.0.1", 0))
        return s.getsockname()[1]


@pytest.fixture
def cluster(tmp_path):
    """The address of a scheduler with two workers, each a process of its own."""
    pytest.importorskip("distributed", reason="the extra 'cluster' is not installed")
    address = f"tcp://127.0.0.1:{free_port()}"
    run = [sys.executable, "-m", "distributed.cli.dask_scheduler"]
    port = address.rpartition(":")[2]
    local = ["--host", "127.0.0.1"]
    started = [
        subprocess.Popen(
            [*run, *local, "--port", port, "--no-dashboard"],
            cwd=tmp_path,
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
        )
    ]
    worker = [sys.executable, "-m", "distributed.cli.dask_worker", address, *local, "--nthreads", "1", "--no-dashboard"]
    for name in ("one", "two"):
        words = [*worker, "--name", name, "--no-nanny", "--local-directory", str(tmp_path / name)]
        started.append(subprocess.Popen(words, cwd=tmp_path, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL))
    yield address
    for process in started:  # nothing of theirs is worth a slow goodbye
        process.kill()
        process.wait()


def test_a_cluster_gives_the_same_index(many, tmp_path, cluster):
    from distributed import Client

    with Client(cluster, timeout=30, set_as_default=False) as client:
        client.wait_for_workers(2, timeout=60)
        assert len(client.scheduler_info()["workers"]) == 2
    words = ["batch", str(many), "-q", "-o"]
    assert main([*words, str(tmp_path / "far"), "--scheduler", cluster]) == 0
    assert main([*words, str(tmp_path / "near"), "-j", "1"]) == 0
    for name in ("index.json", "index.html", "split/findings.json", "split/review.pdf"):
        assert (tmp_path / "far" / name).read_bytes() == (tmp_path / "near" / name).read_bytes()
