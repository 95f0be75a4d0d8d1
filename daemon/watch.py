"""`lampblack watch`: the service in the background, started and heard of; or in this terminal."""

from __future__ import annotations

import argparse
import contextlib
import json
import logging
import os
import queue
import select
import subprocess
import sys
import threading
import time
from pathlib import Path
from typing import Any

from lampblack.daemon.clean import clean, clean_name, sentence
from lampblack.daemon.client import busy_with
from lampblack.daemon.config import ConfigError
from lampblack.daemon.standing import (
    STOP_S,
    fail,
    folder_of,
    folder_text,
    in_shell,
    no_folder,
    print_json,
    running_for,
    status_of,
)
from lampblack.rules.figures import f_text

START_S = 60.0
"""Until a service must be ready: a cold disk and a long folder take their time."""

Json = dict[str, Any]


def watch(args: argparse.Namespace) -> int:
    """Have a folder watched, unless it is already; returns the exit status."""
    folder = folder_of(args)
    running = running_for(folder)
    if not folder.is_dir():
        return fail(args, folder, no_folder(folder, running))
    if args.foreground:
        return _watch_here(args, folder)
    if running is not None and (busy := busy_with(folder)) is not None:
        return fail(args, folder, f"{clean_name(folder)} {busy}")
    if running is not None:
        return _already(args, folder, running.pid)
    report = _start(args, folder)
    if report.get("already"):
        return _already(args, folder, report.get("pid"))
    if "error" in report:
        return fail(args, folder, str(report["error"]))
    if args.json:
        print_json({"running": True, "already": False, **report})
    else:
        name = clean_name(folder)
        quoted = in_shell(folder)
        print(f"Watching {name} (process {report.get('pid')}).")
        print(f"See it:  lampblack panel {quoted}")
        print(f"End it:  lampblack stop {quoted}")
        log = report.get("log")
        print(f"Log:     {clean_name(str(log), 300) if log else _no_log()}")
    return 0


def _no_log() -> str:
    import platformdirs

    return f"none: {platformdirs.user_state_dir('lampblack')} cannot be written"


def _already(args: argparse.Namespace, folder: Path, pid: int | None) -> int:
    """Say that it is being watched, and where it isn't in the way asked for now."""
    told: Json = {"running": True, "already": True, "folder": folder_text(folder), "pid": pid}
    who = f" by process {pid}" if pid else ""
    text = f"{clean_name(folder)} is being watched already{who}"
    differs = _differences(args, folder)
    if not differs:
        print_json(told) if args.json else print(f"{text}; it is left alone.")
        return 0
    text += (
        f", with {', '.join(differs.values())}: to change that, lampblack stop {in_shell(folder)}, then watch again."
    )
    if args.json:
        print_json({**told, "differs": list(differs), "error": text})
    print(text, file=sys.stderr)
    return 1


def _differences(args: argparse.Namespace, folder: Path) -> dict[str, str]:
    """Return the options asked for that the running service goes without, and what it has instead."""
    status = status_of(folder)
    if "camera_asked" not in status:
        return {}
    has = {"aim": status.get("aim"), "backdrop": status.get("backdrop"), "camera": status["camera_asked"]}
    return {
        option: f"--{option} {clean(str(value))}" if value else f"no {option}"
        for option, value in has.items()
        if getattr(args, option) not in (None, value)
    }


def _start(args: argparse.Namespace, folder: Path) -> Json:
    """Start the service in the background; return what it reports when ready, or its error."""
    ours, theirs = os.pipe()
    command = [sys.executable, "-m", "lampblack.daemon.cli", "watch", os.fspath(folder), "--foreground"]
    command += ["--report-to", str(theirs)]
    for option in ("aim", "backdrop", "camera"):
        if getattr(args, option) is not None:
            command += [f"--{option}", getattr(args, option)]
    try:
        with open(ours, "rb", buffering=0) as report:
            process = subprocess.Popen(
                command,
                stdin=subprocess.DEVNULL,
                stdout=subprocess.DEVNULL,
                stderr=subprocess.PIPE,
                pass_fds=[theirs],
                start_new_session=True,
                cwd="/",  # so that it keeps no drive from being unmounted
            )
            os.close(theirs)
            theirs = -1
            line = _first_line(report.fileno(), START_S)
            return _report_of(line, process, folder)
    finally:
        if theirs >= 0:
            os.close(theirs)


def _report_of(line: bytes, process: subprocess.Popen[bytes], folder: Path) -> Json:
    assert process.stderr is not None
    with contextlib.suppress(ValueError):
        report = json.loads(line)
        if isinstance(report, dict):
            process.stderr.close()
            process.returncode = 0  # it lives on by itself: nothing to wait for here
            return report
    if process.poll() is None:
        process.terminate()
        process.stderr.close()
        process.wait(STOP_S)
        text = f"The service was not ready within {START_S:.0f} s and was ended; the last it said: "
        return {"error": text + _end_of_log(folder)}
    said = [clean(text, 300) for text in process.stderr.read().splitlines() if text.strip()]
    process.stderr.close()
    return {"error": f"The service ended at once; the last it said: {said[-1] if said else _end_of_log(folder)}"}


def _end_of_log(folder: Path) -> str:
    from lampblack.daemon.premises import log_path

    with contextlib.suppress(OSError):
        path = log_path(folder)
        lines = [clean(line, 300) for line in path.read_bytes()[-20_000:].splitlines() if line.strip()]
        if lines:
            return f"{lines[-1]} (more in {path})"
    return "nothing."


def _first_line(handle: int, timeout_s: float) -> bytes:
    """Return the first line that comes through a pipe, or what there was of it."""
    line = b""
    deadline = time.monotonic() + timeout_s
    while not line.endswith(b"\n") and (left := deadline - time.monotonic()) > 0:
        if select.select([handle], [], [], left)[0]:
            block = os.read(handle, 65536)
            if not block:
                break
            line += block
    return line


def _watch_here(args: argparse.Namespace, folder: Path) -> int:
    """Be the service: in this terminal, or for the process that started us in the background."""
    from lampblack.daemon.premises import AlreadyWatchedError, close_log

    background = args.report_to is not None
    if not background and (running := running_for(folder)) is not None:
        return _already(args, folder, running.pid)
    teller = None if background else _Teller(json_only=args.json)
    try:
        error = _serve(args, folder, teller)
    except AlreadyWatchedError as wrong:
        if not background:
            return _already(args, folder, wrong.pid)
        _report(args, folder, {"already": True, "pid": wrong.pid})
        return 0
    finally:
        if teller is not None:
            teller.close()
        close_log()
    if error is None:
        return 0
    if not background:
        return fail(args, folder, error)
    _report(args, folder, {"error": error})
    return 1


def _serve(args: argparse.Namespace, folder: Path, teller: _Teller | None) -> str | None:
    """Watch until told to stop; return why it could not be done."""
    from lampblack.daemon.premises import AlreadyWatchedError, StartError, open_log
    from lampblack.daemon.service import Options, serve

    try:
        log = open_log(folder, background=teller is None)
        serve(
            folder,
            Options(aim=args.aim or "even", backdrop=args.backdrop or "auto", camera=args.camera),
            ready=lambda where: _report(args, folder, {**where, "log": None if log is None else str(log)}),
            tell=teller or (lambda event: None),
        )
    except AlreadyWatchedError:
        raise
    except (StartError, ConfigError) as wrong:
        return str(wrong)
    except Exception as wrong:
        logging.getLogger(__name__).exception("the service failed")
        return f"The service failed ({type(wrong).__name__}: {clean(str(wrong))}). Start it again; its log says more."
    return None


def _report(args: argparse.Namespace, folder: Path, what: Json) -> None:
    """Tell whoever started us, once."""
    if args.report_to is None:
        if args.json:
            print_json({"running": True, "already": False, **what})
        else:
            print(f"Watching {clean_name(folder)}; Ctrl-C ends it.", flush=True)
        return
    pipe, args.report_to = args.report_to, -1
    if pipe >= 0:  # afterwards the number may be another file's
        with contextlib.suppress(OSError), open(pipe, "wb") as out:
            out.write(json.dumps(what).encode() + b"\n")
    if what.get("log", "") is None:  # nobody reads our standard error any more
        os.dup2(os.open(os.devnull, os.O_WRONLY), 2)


class _Teller:
    """
    Prints what the service says, for who watches in the foreground.

    In a thread of its own: a terminal held by Ctrl-S, or a pipe nobody reads, must not hold the service.
    """

    def __init__(self, *, json_only: bool) -> None:
        self._json_only = json_only
        self._events: queue.SimpleQueue[Json | None] = queue.SimpleQueue()
        self._thread = threading.Thread(target=self._run, name="lampblack-teller", daemon=True)
        self._thread.start()

    def __call__(self, event: Json) -> None:
        self._events.put(event)

    def close(self, timeout_s: float = 2.0) -> None:
        """Print what is left, unless nobody takes it."""
        self._events.put(None)
        self._thread.join(timeout_s)

    def _run(self) -> None:
        while (event := self._events.get()) is not None:
            try:
                self._say(event)
            except OSError:
                return  # nobody listens any more

    def _say(self, event: Json) -> None:
        kind = event.get("event")
        if self._json_only:
            if kind == "frame":
                print_json(event["verdict"])
            elif kind == "refused":
                print_json({"file": event["file"], "error": event["error"]})
        elif kind == "frame":
            print(_in_words(event["verdict"]), flush=True)
        elif kind == "refused":
            print(f"{event['file']}: {event['error']}", file=sys.stderr, flush=True)
        elif kind == "service":
            print(event["service"]["text"], file=sys.stderr, flush=True)
        elif kind == "camera":
            print(f"camera: {event['camera'].get('text') or event['camera']['state']}", file=sys.stderr, flush=True)


def _in_words(verdict: Json) -> str:
    backdrop = verdict.get("backdrop") or {}
    step = verdict.get("next") or {}
    aperture = f_text((verdict.get("exposure") or {}).get("f_number"))
    words = [f"Frame {verdict.get('frame')}, {verdict.get('file')}: {aperture}."]
    if backdrop.get("tone"):
        words.append(f"{backdrop['tone'].capitalize()} backdrop {'clean' if backdrop.get('clean') else 'NOT clean'}.")
    words.append(sentence(str(step.get("why") or "")))
    words += [sentence(str(notice.get("text") or "")) for notice in verdict.get("notices") or []]
    if verdict.get("unsaved"):
        words.append("It is not in the journal yet.")
    return " ".join(filter(None, words))
