"""
The `lampblack` command.

Whatever needs image libraries or the camera is imported by the command that needs it: `lampblack status` answers at
once.
"""

from __future__ import annotations

import argparse
import contextlib
import errno
import fcntl
import importlib.metadata
import json
import logging
import os
import queue
import select
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any, NoReturn

from lampblack.daemon.clean import clean, clean_name, sentence
from lampblack.daemon.client import (
    LOCK_NAME,
    Client,
    NoServiceError,
    Whereabouts,
    ask,
    is_alive,
    locate,
    sockets,
    waiting_for,
)
from lampblack.daemon.config import ConfigError
from lampblack.rules.figures import f_text

AIMS = ("even", "hold-highlights", "clean-backdrop", "meter")
BACKDROPS = ("auto", "black", "grey", "white", "none")
START_S = 60.0
"""Until a service must be ready: a cold disk and a long folder take their time."""
STOP_S = 30.0
ANSWER_S = 10.0

Json = dict[str, Any]


def main(argv: Sequence[str] | None = None) -> int:
    """Run one command; returns the exit status of the contract: 0 done, 1 something wasn't reached, 2 wrong usage."""
    words = list(sys.argv[1:] if argv is None else argv)
    if words[:1] == ["mock"]:
        _mock(words[1:])  # its options are its own: they go through unread
    try:
        args = _parser(words[0] if words else "").parse_args(words or ["--help"])
        status = int(args.run(args))
        if sys.stdout is not None:  # None: started with its output closed
            sys.stdout.flush()
    except KeyboardInterrupt:
        return 130
    except BrokenPipeError:  # whoever read our output has read enough
        _mute()
        return 0
    except OSError as wrong:
        # Whatever has a name says it, and what is written elsewhere is minded there: this was the output.
        if wrong.filename is not None or wrong.errno not in _CANNOT_WRITE:
            raise
        _mute()
        print(f"The output cannot be written: {wrong.strerror}.", file=sys.stderr)
        return 1
    return status


_CANNOT_WRITE = (errno.ENOSPC, errno.EDQUOT, errno.EFBIG, errno.EIO, errno.EBADF)


def _mute() -> None:
    """Let what is left in a broken output go nowhere, or Python complains about it while it ends."""
    os.dup2(os.open(os.devnull, os.O_WRONLY), 1)


# ---------------------------------------------------------------- the words


class _Parser(argparse.ArgumentParser):
    """Says wrong usage in one line."""

    def error(self, message: str) -> NoReturn:
        """Say it and end with the exit status of wrong usage."""
        self.exit(2, f"{self.prog}: {clean(message, 300)}; see {self.prog} --help\n")


def _parser(chosen: str) -> argparse.ArgumentParser:
    parser = _Parser(
        prog="lampblack",
        description="Watches a tethered studio camera, measures each frame, and says what to do next.",
        epilog="example: lampblack watch ~/shoots/bowls --camera auto; lampblack panel ~/shoots/bowls",
    )
    parser.add_argument("--version", action="version", version=f"lampblack {_version()}")
    commands = parser.add_subparsers(metavar="COMMAND", required=True)
    for name, (summary, example, fill) in _COMMANDS.items():
        command = commands.add_parser(
            name, help=summary, description=f"{summary[0].upper()}{summary[1:]}.", epilog=f"example: {example}"
        )
        if name == chosen:  # the others' options may need heavy imports
            fill(command)
    return parser


def _version() -> str:
    try:
        return importlib.metadata.version("lampblack")
    except importlib.metadata.PackageNotFoundError:
        return "(not installed)"


def _camera_address(text: str) -> str:
    from lampblack.daemon.tether import check_address

    try:
        check_address(text)
    except ValueError as wrong:
        raise argparse.ArgumentTypeError(str(wrong)) from None
    return text


def _watch_words(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("folder", metavar="FOLDER", type=Path, help="the shoot's folder, where frames land")
    parser.add_argument("--foreground", action="store_true", help="stay in this terminal instead of the background")
    parser.add_argument(
        "--camera",
        metavar="auto|ADDRESS",
        type=_camera_address,
        help="tether a camera too: the first found on USB (auto), or one on the network: ptpip:192.168.1.20",
    )
    parser.add_argument(
        "--aim",
        choices=AIMS,
        help="what the next step tries to reach: mid tones at mid grey, as much light as the highlights stand, "
        "the backdrop first, or the logged incident reading (default: even)",
    )
    parser.add_argument("--backdrop", choices=BACKDROPS, help="what the backdrop is meant to be (default: auto)")
    parser.add_argument("--json", action="store_true", help="print JSON objects only, one a line")
    parser.add_argument("--report-to", type=int, help=argparse.SUPPRESS)
    parser.set_defaults(run=_watch)


def _status_words(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("folder", metavar="FOLDER", type=Path, nargs="?", help="default: here, else every one watched")
    parser.add_argument("--json", action="store_true", help="print one JSON object per service")
    parser.set_defaults(run=_status)


def _stop_words(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("folder", metavar="FOLDER", type=Path, nargs="?", help="default: here")
    parser.add_argument("--json", action="store_true", help="print one JSON object")
    parser.set_defaults(run=_stop)


def _panel_words(parser: argparse.ArgumentParser) -> None:
    from lampblack.daemon import screen

    screen.add_arguments(parser)
    parser.set_defaults(run=screen.run)


def _score_words(parser: argparse.ArgumentParser) -> None:
    from lampblack.daemon import score

    score.add_arguments(parser)
    parser.set_defaults(run=score.run)


def _rehearse_words(parser: argparse.ArgumentParser) -> None:
    from lampblack.daemon import rehearse

    rehearse.add_arguments(parser)
    parser.set_defaults(run=rehearse.run)


def _mock_words(parser: argparse.ArgumentParser) -> None:
    """Only for the list of commands; `main` has passed its words on already."""


_COMMANDS: dict[str, tuple[str, str, Callable[[argparse.ArgumentParser], None]]] = {
    "watch": (
        "measure the frames of a shoot as they arrive, in the background",
        "lampblack watch ~/shoots/bowls --camera auto --backdrop black",
        _watch_words,
    ),
    "panel": (
        "show the shoot: next step, backdrop, bracket",
        "lampblack panel ~/shoots/bowls",
        _panel_words,
    ),
    "status": ("say what is being watched, and how it goes", "lampblack status ~/shoots/bowls", _status_words),
    "stop": ("stop watching a shoot; its frames and journal stay", "lampblack stop ~/shoots/bowls", _stop_words),
    "score": ("measure frames without a service", "lampblack score --backdrop black 0001.jpg 0002.jpg", _score_words),
    "rehearse": ("play a short session with the mock camera", "lampblack rehearse --hands-off", _rehearse_words),
    "mock": ("run the mock camera alone, for any PTP/IP client", "lampblack mock --help", _mock_words),
}


def _mock(words: Sequence[str]) -> NoReturn:
    """Become the mock camera: this side knows it only over the wire, and whoever ends us ends it."""
    os.execv(sys.executable, [sys.executable, "-m", "lampblack.mock_camera", *words])  # noqa: S606


# ---------------------------------------------------------------- watch


def _watch(args: argparse.Namespace) -> int:
    folder = _folder(args)
    running = _running(folder)
    if not folder.is_dir():
        return _fail(args, folder, _no_folder(folder, running))
    if args.foreground:
        return _watch_here(args, folder)
    if running is not None:
        return _already(args, folder, running.pid)
    report = _start(args, folder)
    if report.get("already"):
        return _already(args, folder, report.get("pid"))
    if "error" in report:
        return _fail(args, folder, str(report["error"]))
    if args.json:
        _print({"running": True, "already": False, **report})
    else:
        name = clean_name(folder)
        quoted = _quoted(folder)
        print(f"Watching {name} (process {report.get('pid')}).")
        print(f"See it:  lampblack panel {quoted}")
        print(f"End it:  lampblack stop {quoted}")
        log = report.get("log")
        print(f"Log:     {clean_name(str(log), 300) if log else _no_log()}")
    return 0


def _folder(args: argparse.Namespace) -> Path:
    """Return the folder meant, absolute; none given: here."""
    return Path(os.path.realpath((args.folder or Path.cwd()).expanduser()))


def _no_folder(folder: Path, waits: Whereabouts | None = None) -> str:
    name = clean_name(folder)
    if waits is None:
        return f"{name} is no folder: make it, or see to its name."
    return (
        f"{name} is gone, and process {waits.pid} waits for it: bring it back, or end it with "
        f"lampblack stop {_quoted(folder)}"
    )


def _no_log() -> str:
    import platformdirs

    return f"none: {platformdirs.user_state_dir('lampblack')} cannot be written"


def _already(args: argparse.Namespace, folder: Path, pid: int | None) -> int:
    """Say that it is being watched, and where it isn't in the way asked for now."""
    told: Json = {"running": True, "already": True, "folder": _text(folder), "pid": pid}
    who = f" by process {pid}" if pid else ""
    text = f"{clean_name(folder)} is being watched already{who}"
    differs = _differences(args, folder)
    if not differs:
        _print(told) if args.json else print(f"{text}; it is left alone.")
        return 0
    text += f", with {', '.join(differs.values())}: to change that, lampblack stop {_quoted(folder)}, then watch again."
    if args.json:
        _print({**told, "differs": list(differs), "error": text})
    print(text, file=sys.stderr)
    return 1


def _differences(args: argparse.Namespace, folder: Path) -> dict[str, str]:
    """Return the options asked for that the running service goes without, and what it has instead."""
    status = _status_json(folder)
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
    if not background and (running := _running(folder)) is not None:
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
        return _fail(args, folder, error)
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
            _print({"running": True, "already": False, **what})
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
                _print(event["verdict"])
            elif kind == "refused":
                _print({"file": event["file"], "error": event["error"]})
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
    if verdict.get("unsaved"):
        words.append("It is not in the journal yet.")
    return " ".join(filter(None, words))


# ---------------------------------------------------------------- status and stop


def _status(args: argparse.Namespace) -> int:
    folder = _folder(args)
    if args.folder is not None or _running(folder) is not None:
        if not folder.is_dir() and _running(folder) is None:
            return _fail(args, folder, _no_folder(folder))
        return _status_of(args, folder)
    folders = _all_running()
    if not folders and not args.json:
        print("Nothing is being watched.")
        return 0
    return max(_status_of(args, each) for each in folders or [folder])


def _status_of(args: argparse.Namespace, folder: Path) -> int:
    status = _status_json(folder)
    if args.json:
        _print(status)
    elif "error" in status:
        print(f"{clean_name(folder)}: {status['error']}", file=sys.stderr)
    else:
        print(_status_line(folder, status))
    return 1 if "error" in status else 0


def _status_json(folder: Path) -> Json:
    nothing: Json = {
        "running": False,
        "folder": _text(folder),
        **dict.fromkeys(["pid", "frames", "refused", "waiting", "camera", "setup", "newest"]),
    }
    try:
        reply = ask(folder, {"do": "status"}, ANSWER_S)
    except NoServiceError:
        return nothing
    except (TimeoutError, OSError) as wrong:
        running = _running(folder)
        return {**nothing, "running": True, "pid": running and running.pid, "error": clean(str(wrong))}
    told = reply.get("status")
    if not isinstance(told, dict):
        return {**nothing, "running": True, "error": "The service's answer is not understood: is it another version?"}
    counts = told.pop("counts", {})
    return {**nothing, **told, **counts, "running": True, "folder": _text(folder)}


def _status_line(folder: Path, status: Json) -> str:
    name = clean_name(folder)
    if not status["running"]:
        return f"{name}: not being watched."
    words = [f"{name}: {(status.get('service') or {}).get('text') or 'watching'}"]
    frames = "1 frame" if status["frames"] == 1 else f"{status['frames']} frames"
    words.append(f"{frames}, {status['refused']} refused, {status['waiting']} waiting.")
    setup = status.get("setup") or {}
    words.append(f"Setup {setup.get('number')}" + (f" ({setup['name']})." if setup.get("name") else "."))
    camera = status.get("camera") or {}
    if camera.get("state") not in (None, "none"):
        words.append(f"Camera: {sentence(camera.get('text') or camera['state'])}")
    newest = status.get("newest") or {}
    if newest:
        words.append(sentence(f"Newest: {newest.get('file')}: {(newest.get('next') or {}).get('why')}"))
    return " ".join(words)


def _stop(args: argparse.Namespace) -> int:
    folder = _folder(args)
    running = _running(folder)
    if running is None:
        if not folder.is_dir():
            return _fail(args, folder, _no_folder(folder))
        return _stopped(args, folder, was_running=False, text="is not being watched.")
    with contextlib.suppress(NoServiceError, TimeoutError, OSError):
        ask(folder, {"do": "stop"}, ANSWER_S)
    if not _wait_gone(folder, running, STOP_S):
        return _fail(args, folder, f"The service (process {running.pid}) does not end: see its log.")
    return _stopped(args, folder, was_running=True, text="is no longer watched.")


def _stopped(args: argparse.Namespace, folder: Path, *, was_running: bool, text: str) -> int:
    if args.json:
        _print({"running": False, "was_running": was_running, "folder": _text(folder)})
    else:
        print(f"{clean_name(folder)} {text}")
    return 0


def _wait_gone(folder: Path, running: Whereabouts, timeout_s: float) -> bool:
    """Wait until the service has let go of the folder; it is nudged once if it doesn't answer."""
    deadline = time.monotonic() + timeout_s
    nudged = False
    while time.monotonic() < deadline:
        if _is_gone(folder, running):
            return True
        if not nudged and time.monotonic() > deadline - timeout_s / 2 and running.pid is not None:
            nudged = True
            with contextlib.suppress(OSError):
                os.kill(running.pid, signal.SIGTERM)
        time.sleep(0.05)
    return False


def _is_gone(folder: Path, running: Whereabouts) -> bool:
    if _is_locked(folder / LOCK_NAME):
        return False
    return running.pid is None or not is_alive(running.pid) or not running.socket.exists()


def _is_locked(path: Path) -> bool:
    try:
        handle = os.open(path, os.O_RDONLY | os.O_NOFOLLOW | os.O_NONBLOCK | os.O_CLOEXEC)
    except OSError:
        return False
    try:
        fcntl.flock(handle, fcntl.LOCK_SH | fcntl.LOCK_NB)
    except BlockingIOError:
        return True
    except OSError:
        return False
    finally:
        os.close(handle)
    return False


def _running(folder: Path) -> Whereabouts | None:
    """Return whom to talk to about a folder: who holds its lock, or waits for it while it is gone; or nobody."""
    if not _is_locked(folder / LOCK_NAME):
        return waiting_for(folder)
    try:
        return locate(folder)
    except NoServiceError:
        return Whereabouts(folder, Path(), None)


def _all_running() -> list[Path]:
    """Return the folders of the services known in the run folders."""
    found = []
    for place, pid in sockets():
        with (
            contextlib.suppress(OSError, NoServiceError, TimeoutError),
            Client.reach(Whereabouts(Path(), place, pid)) as talk,
        ):
            folder = (talk.ask({"do": "status"}, ANSWER_S).get("status") or {}).get("folder")
            if isinstance(folder, str):
                found.append(Path(folder))
    return found


# ---------------------------------------------------------------- printing


def _print(value: Json) -> None:
    print(json.dumps(value, ensure_ascii=False, allow_nan=False), flush=True)


def _fail(args: argparse.Namespace, folder: Path, text: str) -> int:
    if getattr(args, "json", False):
        _print({"folder": _text(folder), "error": text})
    print(text, file=sys.stderr)
    return 1


def _text(folder: Path) -> str:
    return os.fsencode(folder).decode("utf-8", "replace")


def _quoted(folder: Path) -> str:
    import shlex

    return shlex.quote(clean_name(os.fspath(folder), 300))


if __name__ == "__main__":
    sys.exit(main())
