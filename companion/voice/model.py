"""The speech model: fetched once, verified, and kept in the user's data folder.

The publisher of vosk also publishes its small English model as a Maven artifact
(Apache-2.0), which `jgo` fetches without Java. Run as `python -m companion.voice.model`
this fetches the model and prints where it is; where it is there already it only says
so.
"""

from __future__ import annotations

import hashlib
import os
import shutil
import sys
import tempfile
import zipfile
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path

from companion.voice.vocabulary import GRAPH_FILE, common_words, without_sequences

MODEL_GROUP, MODEL_ARTIFACT, MODEL_VERSION = (
    "com.alphacephei",
    "vosk-model-en",
    "0.3.45",
)
MODEL_SHA256 = "8a5792fccaf873b4745dbd1b3fe19d8a77a15898e806674020eea820424771cd"
MODEL_ARCHIVE_FOLDER = "assets/model-en-us/"
"""The folder of the archive that is the model."""
MODEL_FOLDER_NAME = f"speech-model-en-{MODEL_VERSION}-words"
NO_DITHER = "--dither=0.0\n"
"""Added to the model's conf/mfcc.conf: without it random noise is mixed into every
utterance, and the same clip may be heard as other words the next time."""
ENDPOINT_RULES_S = {"rule2": 0.3, "rule3": 0.5, "rule4": 0.8}
"""After how much silence, s, words have ended (conf/model.conf): half of what the model
comes with. The recogniser has no call for it. Found by trial: as much is understood,
and the answer comes 0.2 s sooner."""
COMMON_WORDS_FILE, COMMON_WORDS_COUNT = "common.txt", 3000
"""The file of the model's commonest words, for the second hearing, and how many they are."""
CONTENTS_SHA256 = "2a75090d26e6739d9fadd8fa03bbaf53164ef2428bd9fa0e73fa15db4efe20bc"
"""What `contents_sha256` gives for the model as it is unpacked here."""
LISTING_FILE = "complete.txt"
"""Written last: the size and name of every file. A folder without it, or at odds with it, is half-written."""
INSTALL_COMMAND = f"{sys.executable} -m companion.voice.model"


class ModelError(Exception):
    """The speech model is not there, or is not one; the message says what to do."""


def data_folder() -> Path:
    """Return the folder for what the companion keeps for this user (XDG base directory convention)."""
    named = os.environ.get("XDG_DATA_HOME", "")
    return (
        Path(named) if os.path.isabs(named) else Path.home() / ".local" / "share"
    ) / "companion"


def speech_model(chosen: Path | None = None) -> Path:
    """Return the folder of the speech model: the one chosen in the config, else the fetched one.

    Raises:
        ModelError: the chosen folder holds no model that takes a grammar, or nothing
            was fetched yet.
    """
    if chosen is not None:
        _check_model(chosen)
        return chosen
    folder = data_folder() / MODEL_FOLDER_NAME
    if not is_complete(folder):
        raise ModelError(
            f"{folder}: the speech model is not there; fetch it once, with a network, by: {INSTALL_COMMAND}"
        )
    return folder


def fetch() -> Path:
    """Fetch the model unless it is there with the right contents, and return its folder.

    A folder that was copied here is read through: whatever is not the published model
    is fetched anew. The archive is verified, unpacked beside its final place and then
    renamed into it, so that whatever is interrupted, the final folder is whole or is
    not there.

    Raises:
        ModelError: it could not be fetched, or what came is not the published file.
    """
    folder = data_folder() / MODEL_FOLDER_NAME
    if is_complete(folder) and contents_sha256(folder) == CONTENTS_SHA256:
        return folder
    folder.parent.mkdir(parents=True, exist_ok=True)
    with _scratch(folder.parent) as scratch:
        unpacked = _unpack(published_archive(scratch), scratch)
        shutil.rmtree(folder, ignore_errors=True)
        os.replace(unpacked, folder)
    return folder


def is_complete(folder: Path) -> bool:
    """Tell whether every file of a fetched model is there with its full size."""
    try:
        listed = (folder / LISTING_FILE).read_text(encoding="utf-8").splitlines()
        sizes = [
            (int(size), folder / name)
            for size, name in (line.split(" ", 1) for line in listed)
        ]
        return bool(sizes) and all(path.stat().st_size == size for size, path in sizes)
    except (OSError, ValueError):
        return False


def contents_sha256(folder: Path) -> str:
    """Return one SHA-256 over the names and contents of all of a model's files; its listing is left out.

    Raises:
        OSError: a file cannot be read.
    """
    whole = hashlib.sha256()
    for path in sorted(
        path
        for path in folder.rglob("*")
        if path.is_file() and path.name != LISTING_FILE
    ):
        whole.update(str(path.relative_to(folder)).encode())
        whole.update(bytes.fromhex(_sha256(path)))
    return whole.hexdigest()


def _check_model(folder: Path) -> None:
    """Raise ModelError unless the folder is a vosk model whose graph can be narrowed to a grammar."""
    if not folder.is_dir():
        raise ModelError(
            f"{folder}: no such folder; give the folder of an unpacked vosk model"
        )
    if not (folder / "am" / "final.mdl").exists():
        raise ModelError(
            f"{folder}: no vosk model (no am/final.mdl); give the folder that holds am, conf and graph"
        )
    if not (folder / "graph" / "HCLr.fst").exists():
        raise ModelError(
            f"{folder}: this vosk model takes no command grammar (no graph/HCLr.fst); use a small one"
        )


@contextmanager
def _scratch(parent: Path) -> Iterator[Path]:
    """Yield a folder to work in, on the final folder's disk; what an earlier power cut left is removed."""
    for left in parent.glob("fetching-*"):
        shutil.rmtree(left, ignore_errors=True)
    with tempfile.TemporaryDirectory(prefix="fetching-", dir=parent) as scratch:
        yield Path(scratch)


def published_archive(scratch: Path) -> Path:
    """Return the model as published: from this user's Maven cache if a good one lies there, else fetched.

    Args:
        scratch: a folder to fetch it into.

    Raises:
        ModelError: it could not be fetched, or what came is not the published file.
    """
    from jgo.constants import default_maven_repo  # noqa: PLC0415  (needed once in a computer's life)
    from jgo.maven import MavenContext  # noqa: PLC0415

    kept = Path(os.environ.get("M2_REPO") or default_maven_repo())
    beside = kept.joinpath(
        *MODEL_GROUP.split("."),
        MODEL_ARTIFACT,
        MODEL_VERSION,
        f"{MODEL_ARTIFACT}-{MODEL_VERSION}.aar",
    )
    if beside.is_file() and _sha256(beside) == MODEL_SHA256:
        return beside
    maven = MavenContext(repo_cache=scratch / "maven")
    try:
        archive = (
            maven.project(MODEL_GROUP, MODEL_ARTIFACT)
            .at_version(MODEL_VERSION)
            .artifact(packaging="aar")
            .resolve()
        )
    except (OSError, RuntimeError) as error:
        raise ModelError(
            _how_to_go_on(f"could not be fetched ({type(error).__name__})")
        ) from error
    if _sha256(archive) != MODEL_SHA256:
        raise ModelError(
            _how_to_go_on(
                "was fetched, but is not the published file (its SHA-256 differs)"
            )
        )
    return Path(archive)


def _how_to_go_on(what: str) -> str:
    return (
        f"the speech model ({MODEL_GROUP}:{MODEL_ARTIFACT}:{MODEL_VERSION}) {what}. "
        f"Connect to the internet once and run: {INSTALL_COMMAND}; "
        f"or copy the folder {data_folder() / MODEL_FOLDER_NAME} from a computer that has it; "
        "or name the folder of another vosk model in the config."
    )


def _sha256(path: Path) -> str:
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()


def _unpack(archive: Path, scratch: Path) -> Path:
    """Unpack the model's own folder and list its files; return where it lies."""
    with zipfile.ZipFile(archive) as packed:
        members = [
            item
            for item in packed.infolist()
            if item.filename.startswith(MODEL_ARCHIVE_FOLDER) and not item.is_dir()
        ]
        for item in members:
            packed.extract(item, scratch)
    folder = scratch / MODEL_ARCHIVE_FOLDER
    with (folder / "conf" / "mfcc.conf").open("a", encoding="utf-8") as conf:
        conf.write(NO_DITHER)
    _set_ends(folder / "conf" / "model.conf")
    (folder / COMMON_WORDS_FILE).write_text(
        "\n".join(common_words(folder, COMMON_WORDS_COUNT)) + "\n", encoding="utf-8"
    )
    _drop_sequences(folder / GRAPH_FILE)
    names = [
        *(item.filename.removeprefix(MODEL_ARCHIVE_FOLDER) for item in members),
        COMMON_WORDS_FILE,
    ]
    listing = "".join(f"{(folder / name).stat().st_size} {name}\n" for name in names)
    (folder / LISTING_FILE).write_text(listing, encoding="utf-8")
    os.sync()  # the files before the name that vouches for them
    return folder


def _drop_sequences(graph: Path) -> None:
    """Leave the words of a model's n-grams only: every decoder here has a grammar, and the rest is 38 MB."""
    if graph.is_file():
        graph.write_bytes(without_sequences(graph.read_bytes()))


def _set_ends(conf: Path) -> None:
    """Put our own rules for the end of an utterance into a model's configuration."""
    rules = {
        f"--endpoint.{rule}.min-trailing-silence": seconds
        for rule, seconds in ENDPOINT_RULES_S.items()
    }
    lines = conf.read_text(encoding="utf-8").splitlines() if conf.exists() else []
    kept = [line for line in lines if line.partition("=")[0] not in rules]
    ours = [f"{rule}={seconds}" for rule, seconds in rules.items()]
    conf.write_text("\n".join([*kept, *ours]) + "\n", encoding="utf-8")


def main(arguments: Sequence[str] = ()) -> int:
    """Fetch the model and print its folder; return 0, or 4 when it cannot be had."""
    if arguments:
        print(
            f"Example: {INSTALL_COMMAND}\n\nFetches the English speech model once and prints where it is."
        )
        return 0 if set(arguments) <= {"-h", "--help"} else 2
    try:
        print(f"speech model: {fetch()}")
    except ModelError as error:
        print(error, file=sys.stderr)
        return 4
    except OSError as error:
        print(f"the speech model could not be kept: {error}", file=sys.stderr)
        return 4
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
