"""The model is fetched once, whole or not at all, and whoever has none is told what to do."""

import errno
import hashlib
import zipfile
from pathlib import Path

import jgo.maven
import pytest

from companion.voice import model
from companion.voice.model import (
    ModelError,
    data_folder,
    fetch,
    is_complete,
    speech_model,
)


@pytest.fixture
def home(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Return an empty data folder; no Maven cache, and a network that refuses."""
    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path / "data"))
    monkeypatch.setenv("M2_REPO", str(tmp_path / "maven"))

    def refuse(*_args: object, **_more: object) -> None:
        raise ConnectionError("no route")

    monkeypatch.setattr(jgo.maven.MavenContext, "project", refuse)
    return tmp_path


ENDS = [
    f"--endpoint.{rule}.min-trailing-silence={seconds}"
    for rule, seconds in model.ENDPOINT_RULES_S.items()
]


def put_archive(
    home: Path, monkeypatch: pytest.MonkeyPatch, sha256: str | None = None
) -> Path:
    """Lay a small archive of the published shape where Maven keeps its files, and expect its hash."""
    archive = (
        home
        / "maven"
        / "com"
        / "alphacephei"
        / model.MODEL_ARTIFACT
        / model.MODEL_VERSION
        / "vosk-model-en-0.3.45.aar"
    )
    archive.parent.mkdir(parents=True)
    with zipfile.ZipFile(archive, "w") as packed:
        packed.writestr("AndroidManifest.xml", "<none/>")
        packed.writestr("assets/model-en-us/am/final.mdl", b"acoustics")
        packed.writestr("assets/model-en-us/graph/HCLr.fst", b"graph")
        packed.writestr("assets/model-en-us/conf/mfcc.conf", "--num-ceps=40\n")
        packed.writestr(
            "assets/model-en-us/conf/model.conf",
            "--beam=10.0\n--endpoint.rule2.min-trailing-silence=0.5\n",
        )
    monkeypatch.setattr(
        model,
        "MODEL_SHA256",
        sha256 or hashlib.sha256(archive.read_bytes()).hexdigest(),
    )
    right = model.contents_sha256(model._unpack(archive, home / "unpacked"))
    monkeypatch.setattr(model, "CONTENTS_SHA256", right)
    return archive


def test_fetched_once_and_found_again_without_the_archive(
    home: Path, monkeypatch: pytest.MonkeyPatch
):
    archive = put_archive(home, monkeypatch)
    folder = fetch()
    assert folder == data_folder() / model.MODEL_FOLDER_NAME
    assert (folder / "am" / "final.mdl").read_bytes() == b"acoustics"
    assert (
        folder / "conf" / "mfcc.conf"
    ).read_text() == "--num-ceps=40\n" + model.NO_DITHER
    assert (folder / "conf" / "model.conf").read_text().splitlines() == [
        "--beam=10.0",
        *ENDS,
    ]
    assert not (folder / "AndroidManifest.xml").exists()
    archive.unlink()
    assert fetch() == folder == speech_model()
    assert [path.name for path in folder.parent.iterdir()] == [folder.name]


def test_a_file_cut_short_or_missing_is_fetched_again(
    home: Path, monkeypatch: pytest.MonkeyPatch
):
    put_archive(home, monkeypatch)
    folder = fetch()
    for spoil in (
        lambda: (folder / "am" / "final.mdl").write_bytes(b"acou"),
        (folder / "graph" / "HCLr.fst").unlink,
        lambda: (folder / model.LISTING_FILE).write_text(""),
        lambda: (folder / model.LISTING_FILE).write_bytes(b"\0\0\0\0"),
    ):
        spoil()
        assert not is_complete(folder)
        with pytest.raises(ModelError, match="fetch it once"):
            speech_model()
        assert is_complete(fetch())


def test_a_copy_with_other_contents_of_the_same_size_is_fetched_again(
    home: Path, monkeypatch: pytest.MonkeyPatch
):
    put_archive(home, monkeypatch)
    acoustics = fetch() / "am" / "final.mdl"
    acoustics.write_bytes(b"acousticz")
    assert is_complete(data_folder() / model.MODEL_FOLDER_NAME)
    fetch()
    assert acoustics.read_bytes() == b"acoustics"


def test_what_a_power_cut_left_is_cleared_away(
    home: Path, monkeypatch: pytest.MonkeyPatch
):
    put_archive(home, monkeypatch)
    left = data_folder() / "fetching-before"
    left.mkdir(parents=True)
    (left / "half").write_bytes(b"x")
    fetch()
    assert not left.exists()


@pytest.mark.usefixtures("home")
def test_offline_says_what_to_do(capsys: pytest.CaptureFixture[str]):
    assert model.main() == 4
    told = capsys.readouterr().err
    assert told.count("\n") == 1
    for part in (
        "could not be fetched (ConnectionError)",
        "-m companion.voice.model",
        "copy the folder",
        "config",
    ):
        assert part in told
    assert list(data_folder().iterdir()) == []


def test_a_cached_file_that_is_not_the_published_one_is_not_used(
    home: Path, monkeypatch: pytest.MonkeyPatch
):
    put_archive(home, monkeypatch, sha256="0" * 64)
    with pytest.raises(ModelError, match="could not be fetched"):
        fetch()


def test_a_fetched_file_that_is_not_the_published_one_is_refused(
    home: Path, monkeypatch: pytest.MonkeyPatch
):
    wrong = home / "wrong.aar"
    wrong.write_bytes(b"something else")

    class Answering:
        def __getattr__(self, _name: str):
            return lambda *_args, **_more: self

        def resolve(self) -> Path:
            return wrong

    monkeypatch.setattr(jgo.maven.MavenContext, "project", lambda *_args: Answering())
    with pytest.raises(ModelError, match="SHA-256 differs"):
        fetch()
    assert not (data_folder() / model.MODEL_FOLDER_NAME).exists()


def test_another_model_is_taken_if_it_can_take_a_grammar(tmp_path: Path):
    with pytest.raises(ModelError, match="no such folder"):
        speech_model(tmp_path / "none")
    with pytest.raises(ModelError, match=r"no am/final\.mdl"):
        speech_model(tmp_path)
    (tmp_path / "am").mkdir()
    (tmp_path / "am" / "final.mdl").touch()
    with pytest.raises(ModelError, match=r"no graph/HCLr\.fst"):
        speech_model(tmp_path)
    (tmp_path / "graph").mkdir()
    (tmp_path / "graph" / "HCLr.fst").touch()
    assert speech_model(tmp_path) == tmp_path


def test_a_full_disk_is_one_clear_line(monkeypatch, capsys: pytest.CaptureFixture[str]):
    def full():
        raise OSError(errno.ENOSPC, "No space left on device", "/data/fetching-x")

    monkeypatch.setattr(model, "fetch", full)
    assert model.main() == 4
    assert capsys.readouterr().err == (
        "the speech model could not be kept: "
        "[Errno 28] No space left on device: '/data/fetching-x'\n"
    )


def test_help_begins_with_an_example(capsys: pytest.CaptureFixture[str]):
    assert model.main(["--help"]) == 0
    assert capsys.readouterr().out.startswith("Example: ")
    assert model.main(["nonsense"]) == 2
