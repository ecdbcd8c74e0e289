"""Cases shared out: the same results in the same order, strangers told by name, losses in one message."""

from __future__ import annotations

import operator
import shutil
import socket
import subprocess
from concurrent.futures import CancelledError
from contextlib import contextmanager
from dataclasses import replace
from types import ModuleType, SimpleNamespace
from typing import Any

import pytest

from yieldsim.base.errors import CannotCompute, DataMissing, InputError, Problem
from yieldsim.runs import cluster as module
from yieldsim.runs.cluster import Needs, computing, in_order, lacking

distributed = pytest.importorskip("distributed", reason="needs the extra cluster")
CASES = [(number,) for number in range(7)]


def doubled(shared: list[int], number: int) -> int:
    return shared[0] * number


def refusing(number: int) -> int:
    raise InputError(Problem("site.toml", "latitude_deg", f"is {number}"))


def gone(number: int) -> int:
    raise OSError("no such thing")


@pytest.fixture(scope="module")
def address():
    """A scheduler with two workers: threads of this process, reached over the network as any cluster is."""
    with distributed.LocalCluster(
        n_workers=2, threads_per_worker=1, processes=False, protocol="tcp", dashboard_address=None
    ) as made:
        yield made.scheduler_address


def test_results_are_those_of_this_process_in_their_order(address, tmp_path):
    told: list[int] = []
    with computing(7, 1, None) as compute:
        here = in_order(compute(doubled, CASES, [2]), told.append)
    (tmp_path / "ground.tif").write_bytes(b"heights")
    with computing(7, 1, address, files=[tmp_path / "ground.tif"]) as compute:
        assert in_order(compute(doubled, CASES, [2])) == here == [0, 2, 4, 6, 8, 10, 12]
        # more than are handed out at a time, and none
        assert in_order(compute(operator.neg, [(number,) for number in range(200)])) == [
            -n for n in range(200)
        ]
        assert in_order(compute(operator.neg, [])) == []
    assert told == [1, 2, 3, 4, 5, 6, 7]


def test_a_case_s_own_refusal_comes_through(address):
    with (
        computing(2, 1, address) as compute,
        pytest.raises(InputError, match=r"site\.toml: latitude_deg is 3"),
    ):
        in_order(compute(refusing, [(3,)]))
    # an error of the program is none of the cluster's
    with computing(2, 1, address) as compute, pytest.raises(OSError, match="no such thing"):
        in_order(compute(gone, [(3,)]))


def test_what_a_process_lacks_is_told_in_words(tmp_path):
    file = tmp_path / "ground.tif"
    file.write_bytes(bytes(200_000))
    needs = Needs.of([file, file])
    assert len(needs.files) == 1
    assert lacking(needs) == ""
    assert "has a yieldsim" in lacking(replace(needs, sources="other"))
    assert lacking(replace(needs, version="0.0.1")).endswith("this run needs 0.0.1")
    lacking.cache_clear()
    file.write_bytes(bytes(199_999) + b"1")
    assert lacking(needs) == f"has other contents in {file}"
    lacking.cache_clear()
    file.unlink()
    assert lacking(needs) == f"lacks {file}"


@pytest.mark.parametrize("late", [False, True])
def test_a_worker_that_lacks_a_file_is_named(address, monkeypatch, late):
    """At the start; and where it joins later, with its first case."""
    needs = replace(Needs.of([]), files=(("/data/ground.tif", 3, "0"),))
    monkeypatch.setattr(module.Needs, "of", classmethod(lambda *_: needs))
    if late:
        monkeypatch.setattr(module, "_refuse_lacking", lambda *_: None)
    with (
        pytest.raises(CannotCompute, match=r"worker tcp://\S+ lacks /data/ground\.tif"),
        computing(7, 1, address) as compute,
    ):
        in_order(compute(doubled, CASES, [2]))


def test_everyone_without_the_same_program_is_named(address, monkeypatch):
    needs = replace(Needs.of([]), sources="other")
    monkeypatch.setattr(module.Needs, "of", classmethod(lambda *_: needs))
    with pytest.raises(CannotCompute) as caught, computing(7, 1, address):
        pass
    lines = str(caught.value).splitlines()
    assert [line.split(" has a yieldsim ")[0].split("://")[0] for line in lines[:-1]] == [
        "the scheduler",
        "worker tcp",
        "worker tcp",
    ]
    assert (
        lines[-1] == "(scheduler and workers need the same yieldsim, and workers the files at the same paths)"
    )


def test_a_worker_without_the_program_is_named(address, monkeypatch):
    monkeypatch.setattr(module, "find_spec", nothing)
    told = r"the scheduler has no yieldsim\nworker tcp://\S+ has no yieldsim"
    with pytest.raises(CannotCompute, match=told), computing(7, 1, address):
        pass


def nothing(_: str) -> None:
    """What a worker answers where the program is not installed."""


def test_a_scheduler_without_workers_is_told():
    empty = distributed.LocalCluster(n_workers=0, processes=False, protocol="tcp", dashboard_address=None)
    with (
        empty,
        pytest.raises(CannotCompute, match="has no workers: start some"),
        computing(7, 1, empty.scheduler_address),
    ):
        pass


@pytest.mark.skipif(shutil.which("openssl") is None, reason="no openssl to make certificates with")
def test_an_encrypted_cluster(tmp_path):
    """Certificates come by Dask's own configuration; without them it says so."""
    import dask

    certificate, key = str(tmp_path / "cert.pem"), str(tmp_path / "key.pem")
    made_for_a_day = ("req", "-x509", "-newkey", "rsa:2048", "-nodes", "-days", "1", "-subj", "/CN=localhost")
    words = ["openssl", *made_for_a_day, "-keyout", key, "-out", certificate]
    subprocess.run(words, check=True, capture_output=True)
    tls = {"distributed.comm.tls.ca-file": certificate}
    for end in ("scheduler", "worker", "client"):
        tls |= {f"distributed.comm.tls.{end}.cert": certificate, f"distributed.comm.tls.{end}.key": key}
    with (
        dask.config.set(tls),
        distributed.LocalCluster(
            n_workers=1,
            threads_per_worker=1,
            processes=False,
            protocol="tls://",
            security=distributed.Security(),
            dashboard_address=None,
        ) as made,
    ):
        address = made.scheduler_address
        assert address.startswith("tls://")
        with computing(7, 1, address) as compute:
            assert in_order(compute(doubled, CASES, [3])) == [0, 3, 6, 9, 12, 15, 18]
        with (
            dask.config.set(dict.fromkeys(tls)),
            pytest.raises(CannotCompute, match="certificates in Dask's configuration"),
            computing(7, 1, address),
        ):
            pass


class Future:
    """A case as a scheduler that goes tells of it."""

    def __init__(self, status: str) -> None:
        self.status = status

    def release(self) -> None:
        """Nothing is held."""


@pytest.mark.parametrize("status", ["cancelled", "lost"])
def test_what_a_scheduler_that_goes_hands_out_is_no_result(monkeypatch, status):
    client = SimpleNamespace(
        submit=lambda *_, **__: Future(status),
        replicate=lambda _: None,
        cancel=lambda _: None,
        status="closed",
        nthreads=dict,
    )

    @contextmanager
    def made(*_: Any) -> Any:
        yield client

    library = SimpleNamespace(
        as_completed=lambda futures, with_results: [(futures[0], CancelledError("lost"))],
        KilledWorker=MemoryError,
    )
    monkeypatch.setattr(module, "cluster_library", lambda: library)
    monkeypatch.setattr(module, "_client", made)
    monkeypatch.setattr(module, "_refuse_lacking", lambda *_: None)
    with (
        computing(1, 1, "tcp://nowhere:1", again="go on so") as compute,
        pytest.raises(
            CannotCompute, match=rf"the scheduler or its workers were lost \(a case is {status}\); go on so"
        ),
    ):
        in_order(compute(doubled, [(1,)], [2]))


def test_lost_workers_are_one_message(monkeypatch):
    class Killed(Exception):
        """As the library tells of a worker that ends again and again."""

    def as_completed(*_: Any, **__: Any) -> Any:
        raise Killed("Attempted to run task 'case-1'\non 4 different workers")

    client = SimpleNamespace(
        submit=lambda *_, **__: Future("finished"),
        replicate=lambda _: None,
        cancel=lambda _: None,
        nthreads=dict,
    )

    @contextmanager
    def made(*_: Any) -> Any:
        yield client

    library = SimpleNamespace(as_completed=as_completed, KilledWorker=Killed)
    monkeypatch.setattr(module, "cluster_library", lambda: library)
    monkeypatch.setattr(module, "_client", made)
    with computing(2, 2, None) as compute, pytest.raises(CannotCompute) as caught:
        in_order(compute(doubled, CASES, [2]))
    text = str(caught.value)
    assert text.startswith("the workers were lost, for want of memory perhaps: Attempted to run task")
    assert text.endswith("start it again")
    assert "\n" not in text


@pytest.mark.parametrize(("workers", "scheduler"), [(2, None), (1, "tcp://nowhere:1")])
def test_a_missing_library_is_not_wrong_input(monkeypatch, workers, scheduler):
    monkeypatch.setattr(module, "cluster_library", lambda: None)
    option = "--workers" if scheduler is None else "--scheduler"
    told = rf"{option} needs .*pip install 'yieldsim\[cluster\]'"
    with pytest.raises(DataMissing, match=told) as caught, computing(7, workers, scheduler):
        pass
    assert caught.value.exit_status == 1
    with computing(7, 1, None) as compute:
        assert in_order(compute(doubled, CASES, [1])) == list(range(7))


@pytest.mark.parametrize(
    ("scheduler", "hint"),
    [
        ("foo", " (it has no port)"),
        ("tcp://foo", " (it has no port)"),
        ("tcp://foo:99999", " (ports are 1 to 65535)"),
        ("http://foo:80", " (before :// stands one of tcp, tls, ws, wss, ucx)"),
        ("tcp://foo:eighty", ""),
        ("my cluster:8786", ""),
        ("", ""),
        (8786, ""),
    ],
)
def test_what_is_no_address_is_wrong_input(scheduler, hint):
    with pytest.raises(InputError) as caught, computing(7, 1, scheduler):
        pass
    found = f"scheduler is {scheduler!r}; allowed: an address such as tcp://host:8786{hint}"
    assert str(caught.value) == found


@pytest.mark.parametrize(
    "address",
    ["tcp://node1:8786", "127.0.0.1:8786", "tls://[fe80::1%eth0]:1", "tcp://[::1]:8786", "ucx://a-b.c:65535"],
)
def test_what_may_be_an_address_is_asked(address):
    module.refuse_address(address)


def test_a_scheduler_that_does_not_answer_is_one_message(monkeypatch):
    monkeypatch.setattr(module, "PATIENCE", "300ms")
    with socket.socket() as held:
        held.bind(("127.0.0.1", 0))  # bound and not listening
        address = f"tcp://127.0.0.1:{held.getsockname()[1]}"
        told = rf"^cannot reach a scheduler at {address}: [^\n]+$"
        with pytest.raises(CannotCompute, match=told), computing(7, 1, address):
            pass


@pytest.mark.parametrize(
    ("text", "refused"),
    [
        ("import yieldsim\nyieldsim.survey('dem.tif')\n", True),
        ("import yieldsim\nif __name__ == '__main__':\n    yieldsim.survey('dem.tif')\n", False),
        (None, False),
    ],
    ids=["bare script", "guarded script", "notebook"],
)
def test_a_script_that_each_process_would_run_again_is_refused(monkeypatch, tmp_path, text, refused):
    main = ModuleType("__main__")
    if text is not None:
        main.__file__ = str(tmp_path / "script.py")
        (tmp_path / "script.py").write_text(text)
    monkeypatch.setitem(module.sys.modules, "__main__", main)
    monkeypatch.setattr(module, "_client", lambda *_: pytest.fail("started processes"))
    assert (module.cores() == 1) is (refused or module.os.cpu_count() == 1)
    expected = InputError if refused else pytest.fail.Exception
    with pytest.raises(expected, match="guard" if refused else "started"), computing(4, 2, None):
        pass


def test_sites_tell_which_files_workers_need():
    from yieldsim.base.model import TerrainHorizon

    sites = [
        SimpleNamespace(horizon=TerrainHorizon(terrain=("/a.tif", "/b.tif"))),
        SimpleNamespace(horizon=None),
    ]
    assert module.terrain_files(sites * 2) == ["/a.tif", "/b.tif"]
