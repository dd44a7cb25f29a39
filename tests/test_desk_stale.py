"""The desk shows and judges what lies on disk now: plates and graphs that somebody replaces while it knows them."""

from __future__ import annotations

import os
import shutil
from fractions import Fraction

import numpy as np
import pytest
from inkarnat.host_adapters.desk.desk import Desk
from inkarnat.host_adapters.desk.errors import ExistsError
from inkarnat.host_adapters.desk.folder import Folder
from inkarnat.host_adapters.desk.plate import stamp_of
from inkarnat.host_adapters.desk.seeing import Seeing
from inkarnat.host_adapters.desk.session import Session
from inkarnat.host_adapters.graphs.graph import Graph
from inkarnat.host_adapters.media.clips import open_writer
from inkarnat.host_adapters.media.pictures import write_picture

pytestmark = pytest.mark.usefixtures("own_state_folder")


def flat(level: float, width: int = 64, height: int = 48) -> np.ndarray:
    return np.full((height, width, 3), level, np.float32)


def film(path, level: float, count: int = 3, **size: int) -> None:
    with open_writer(path, rate=Fraction(24)) as writer:
        for number in range(1, count + 1):
            writer.write(number, flat(level, **size))


def replace_film(path, level: float, set_back: bool = False, **options: int) -> None:
    """Replace a film as other programs do: another file of that name, its times perhaps those of the one before."""
    times = path.stat()
    film(path.with_name("new.mkv"), level, **options)
    os.replace(path.with_name("new.mkv"), path)
    if set_back:
        os.utime(path, ns=(times.st_atime_ns, times.st_mtime_ns))


def levels(opened: Session, frame: int) -> list[float]:
    views = [opened.picture(frame, view).mean() for view in ("original", "result", "light")]
    return [*views, opened.plain(frame, "result", None).mean(), opened.pixel(frame, 0.5, 0.5)["luma"]]


def test_a_picture_of_a_sequence_that_is_replaced_is_read_anew(tmp_path):
    for number in (1, 2, 3):
        write_picture(tmp_path / f"take.{number:03d}.png", flat(0.2 * number), None)
    opened = Session(Folder(tmp_path), "take.%03d.png")
    try:
        for number in (1, 2):
            assert levels(opened, number) == pytest.approx([0.2 * number] * 5, abs=0.003)
        write_picture(tmp_path / "other.png", flat(0.9), None)
        os.replace(tmp_path / "other.png", tmp_path / "take.001.png")
        assert levels(opened, 1) == pytest.approx([0.9] * 5, abs=0.003)
        assert levels(opened, 2) == pytest.approx([0.4] * 5, abs=0.003)
        told = [words for words in opened.as_dict()["notices"] if "changed on disk" in words]
        assert len(told) == 1
        assert told[0].startswith("take.001.png")
    finally:
        opened.close()


def test_a_picture_that_was_shown_earlier_and_is_replaced_is_told_of(tmp_path):
    """A page keeps what it has shown, and steps back to it without a question."""
    for number in (1, 2, 3):
        write_picture(tmp_path / f"take.{number:03d}.png", flat(0.2 * number), None)
    opened = Session(Folder(tmp_path), "take.%03d.png")
    try:
        for number in (1, 2, 3):
            opened.picture(number, "original")
        before = opened.as_dict()["plate"]
        assert opened.as_dict()["plate"] == before
        write_picture(tmp_path / "other.png", flat(0.9), None)
        os.replace(tmp_path / "other.png", tmp_path / "take.001.png")
        opened.as_dict()
        after = opened.as_dict()
        assert after["plate"] > before
        assert any(words.startswith("take.001.png was changed on disk") for words in after["notices"])
    finally:
        opened.close()


@pytest.mark.parametrize("set_back", [False, True])
def test_a_film_that_is_replaced_is_opened_anew_whatever_its_times_say(tmp_path, set_back):
    path = tmp_path / "film.mkv"
    film(path, 0.3)
    opened = Session(Folder(tmp_path), "film.mkv")
    try:
        assert levels(opened, 2) == pytest.approx([0.3] * 5, abs=0.005)
        before = opened.as_dict()
        replace_film(path, 0.7, set_back, count=5, width=48, height=64)
        after = opened.as_dict()
        assert after["plate"] > before["plate"], "a page asks for the picture again though nothing else has changed"
        for number in (2, 3):
            assert levels(opened, number) == pytest.approx([0.7] * 5, abs=0.005)
        clip = opened.as_dict()["clip"]
        assert (clip["width"], clip["height"], clip["frames"]) == (48, 64, [1, 5, 1])
        assert opened.as_dict()["plate"] > after["plate"], "once more, now that it is known how long the film is"
        assert any("film.mkv was changed on disk" in words for words in opened.notices)
    finally:
        opened.close()


def test_a_film_that_goes_away_stays_as_it_was_shown(tmp_path):
    film(tmp_path / "film.mkv", 0.3)
    opened = Session(Folder(tmp_path), "film.mkv")
    try:
        levels(opened, 1)
        (tmp_path / "film.mkv").rename(tmp_path / "elsewhere.mkv")
        assert opened.picture(2, "original").mean() == pytest.approx(0.3, abs=0.005)
    finally:
        opened.close()


def test_a_status_is_forgotten_where_its_clip_is_another_one(tmp_path):
    film(tmp_path / "film.mkv", 0.3)
    film(tmp_path / "other.mkv", 0.4)
    desk = Desk(Folder(tmp_path), "film.mkv")
    try:
        for name in ("film.mkv", "other.mkv"):
            desk.open(name)
            desk.session.set("steer", "angle", 2.0)
            desk.judged({"verdict": {"status": "holds"}, "words": "holds: as it should be"})
        assert {clip["name"]: clip["status"]["grade"] for clip in desk.clips()} == {
            "film.mkv": "holds",
            "other.mkv": "holds",
        }
        replace_film(tmp_path / "film.mkv", 0.6, set_back=True)
        assert {clip["name"]: bool(clip["status"]) for clip in desk.clips()} == {"film.mkv": False, "other.mkv": True}
    finally:
        desk.close()


@pytest.mark.parametrize("touch", ["rights", "link", "copy"])
def test_a_status_stays_where_only_the_entry_of_a_clip_has_changed(tmp_path, touch):
    """Rights, links and copies change the time of the entry or the inode, and nothing that the file holds."""
    path = tmp_path / "film.mkv"
    film(path, 0.3)
    desk = Desk(Folder(tmp_path), "film.mkv")
    try:
        levels(desk.session, 2)
        desk.session.set("steer", "angle", 2.0)
        desk.judged({"verdict": {"status": "holds"}, "words": "holds: as it should be"})
        before, plate = path.stat(), desk.session.as_dict()["plate"]
        if touch == "rights":
            path.chmod(0o640)
        elif touch == "link":
            os.link(path, tmp_path / "kept")
        else:
            shutil.copy2(path, tmp_path / "kept")
            os.replace(tmp_path / "kept", path)
        now = path.stat()
        assert (now.st_ctime_ns, now.st_ino) != (before.st_ctime_ns, before.st_ino)
        assert levels(desk.session, 2) == pytest.approx([0.3] * 5, abs=0.005)
        assert desk.session.as_dict()["plate"] == plate
        assert not any("changed on disk" in words for words in desk.session.notices)
        assert [clip["status"]["grade"] for clip in desk.clips()] == ["holds"]
    finally:
        desk.close()


def test_a_file_changed_in_its_middle_with_its_time_set_back_is_another_one(tmp_path):
    path = tmp_path / "film.dpx"
    path.write_bytes(bytes(400_000))
    before, times = stamp_of(path), path.stat()
    with open(path, "r+b") as file:
        file.seek(200_000)
        file.write(b"1")
    os.utime(path, ns=(times.st_atime_ns, times.st_mtime_ns))
    assert stamp_of(path) != before
    assert stamp_of(tmp_path / "none") is None


def test_a_shot_beside_is_the_one_that_lies_there_now(tmp_path):
    film(tmp_path / "film.mkv", 0.3)
    film(tmp_path / "other.mkv", 0.4)
    desk = Desk(Folder(tmp_path), "film.mkv")
    try:
        assert desk.beside.picture("other.mkv", 1, "original")[0].mean() == pytest.approx(0.4, abs=0.005)
        replace_film(tmp_path / "other.mkv", 0.8)
        assert desk.beside.picture("other.mkv", 1, "original")[0].mean() == pytest.approx(0.8, abs=0.005)
    finally:
        desk.close()


def test_a_graph_that_is_changed_elsewhere_while_the_desk_is_closed_is_told_and_not_replaced(tmp_path):
    film(tmp_path / "film.mkv", 0.3)
    opened = Session(Folder(tmp_path), "film.mkv")
    opened.set("steer", "angle", 2.0)
    opened.save()
    opened.set("steer", "angle", 3.0)
    opened.close()
    again = Session(Folder(tmp_path), "film.mkv")
    again.save()  # what lies there was saved here
    again.set("steer", "angle", 5.0)
    again.close()
    edited = (tmp_path / "film.json").read_text().replace('"angle": 3.0', '"angle": -7.0')
    assert Graph.load(tmp_path / "film.json").by_id["steer"].node.angle == 3.0
    (tmp_path / "film.json").write_text(edited)
    last = Session(Folder(tmp_path), "film.mkv")
    try:
        assert any("film.json was changed elsewhere" in words for words in last.notices)
        with pytest.raises(ExistsError, match="changed elsewhere"):
            last.save()
        assert (tmp_path / "film.json").read_text() == edited
        last.open_graph("film.json")
        assert last.state.graph.by_id["steer"].node.angle == -7.0
        last.save()
    finally:
        last.close()


def test_a_view_that_is_replaced_is_seen_through_anew(tmp_path):
    def view(red: float) -> None:
        (tmp_path / "view.clf").write_text(
            '<?xml version="1.0"?><ProcessList id="v" compCLFversion="3.0"><Matrix inBitDepth="32f" outBitDepth="32f">'
            f'<Array dim="3 3">{red} 0 0 0 1 0 0 0 1</Array></Matrix></ProcessList>'
        )

    film(tmp_path / "film.mkv", 0.4)
    view(1.0)
    opened = Session(Folder(tmp_path), "film.mkv", seeing=Seeing.through(str(tmp_path / "view.clf")))
    try:
        plate = opened.as_dict()["plate"]
        assert opened.picture(1, "result")[..., 0].mean() == pytest.approx(0.4, abs=0.005)
        view(0.5)
        assert opened.picture(1, "result")[..., 0].mean() == pytest.approx(0.2, abs=0.005)
        now = opened.as_dict()
        assert now["plate"] != plate
        assert "view.clf was changed on disk: pictures and readings are seen through it anew." in now["notices"]
        (tmp_path / "view.clf").write_text("no view")
        assert opened.picture(1, "result")[..., 0].mean() == pytest.approx(0.2, abs=0.005)
    finally:
        opened.close()


def test_too_little_skin_is_a_verdict_and_takes_an_earlier_one_back(tmp_path):
    film(tmp_path / "film.mkv", 0.3)
    desk = Desk(Folder(tmp_path), "film.mkv")
    try:
        read = desk.session.reading(1)
        assert read["verdict"]["status"] == "not judged", "nobody has said yet what is skin"
        assert "Too little skin is keyed" in read["words"]
        assert "Mark lit skin" in read["words"]
        desk.session.mark(1, "", "skin", "box", [[0.2, 0.2], [0.8, 0.8]])
        desk.session.set("steer", "angle", 2.0)
        desk.judged({"verdict": {"status": "holds"}, "words": "holds: as it should be"})
        desk.judged(desk.session.reading(1))
        (clip,) = desk.clips()
        assert clip["status"]["grade"] == "not judged"
    finally:
        desk.close()


def test_a_status_is_told_of_what_was_judged_alone(tmp_path):
    """Not of a clip whose notes are gone, nor under another view."""
    for name in ("film.mkv", "other.mkv"):
        film(tmp_path / name, 0.4)
    desk = Desk(Folder(tmp_path), "film.mkv")
    try:
        desk.session.set("steer", "angle", 2.0)
        desk.judged({"verdict": {"status": "holds"}, "words": "holds: as it should be"})
        desk.open("other.mkv")
        assert [clip["status"] and clip["status"]["grade"] for clip in desk.clips()] == ["holds", None]
        desk.seeing.id = "view.clf 0123456789ab"
        assert [clip["status"] for clip in desk.clips()] == [None, None]
        desk.seeing.id = ""
        desk.folder.notes_path("film.mkv").unlink()
        assert [clip["status"] for clip in desk.clips()] == [None, None]
    finally:
        desk.close()


def test_opening_a_shot_does_not_praise_what_carrying_to_it_has_doubted(tmp_path):
    """Carrying compares with the shot it comes from; a look at the one shot alone cannot, and takes nothing back."""
    for name, seed in (("film.mkv", 3), ("other.mkv", 4)):
        skin = np.full((48, 64, 3), (0.62, 0.48, 0.40), np.float32)
        skin += np.random.default_rng(seed).normal(0, 0.004, skin.shape).astype(np.float32)
        with open_writer(tmp_path / name, rate=Fraction(24)) as writer:
            for number in (1, 2):
                writer.write(number, skin)
    desk = Desk(Folder(tmp_path), "film.mkv")
    try:
        desk.session.mark(1, "", "skin", "box", [[0.2, 0.2], [0.8, 0.8]])
        desk.session.solve("everything", 1)
        desk.carry(["other.mkv"], 1)
        doubted = {"grade": "off", "words": "The key covers 466% more of the skin than it should."}
        desk.statuses["other.mkv"] |= doubted
        desk.open("other.mkv")
        read = {"verdict": {"status": "holds"}, "words": "holds: The skin reads 123.0°."}
        assert desk.judged(read)["words"] == "off: The key covers 466% more of the skin than it should."
        assert [clip["status"]["grade"] for clip in desk.clips() if clip["name"] == "other.mkv"] == ["off"]
        desk.session.set("steer", "angle", desk.session.state.node("steer").angle + 0.3)
        assert desk.judged(read) == read, "somebody has worked on it since, so what is read now counts"
        assert [clip["status"]["grade"] for clip in desk.clips() if clip["name"] == "other.mkv"] == ["holds"]
    finally:
        desk.close()


def test_a_clip_that_is_replaced_while_its_render_waits_is_not_written_unseen(tmp_path):
    """Another film of that name, with the times of the one before: the order was for what was looked at."""
    film(tmp_path / "film.mkv", 0.3)
    film(tmp_path / "other.mkv", 0.4)
    desk = Desk(Folder(tmp_path), "film.mkv")
    try:
        order = desk._checked("film.mkv", desk.session.state.graph, "out.mkv", "", "", "", False)
        replace_film(tmp_path / "film.mkv", 0.6, set_back=True)
        desk._put(order)
        desk.render._thread.join(60)
        assert desk.render.state == "failed"
        assert "film.mkv was replaced or changed since this was asked for" in desk.render.message
        assert not (tmp_path / "out.mkv").exists()
        desk.order("out.mkv", "", "", "", False)
        desk.render._thread.join(60)
        assert desk.render.state == "done", desk.render.message
    finally:
        desk.close()


def test_a_matte_is_judged_again_where_its_clip_was_replaced(tmp_path):
    film(tmp_path / "film.mkv", 0.3)
    opened = Session(Folder(tmp_path), "film.mkv")
    try:
        levels(opened, 1)
        opened.accept("", True)
        assert opened.as_dict()["accepted"] == [""]
        replace_film(tmp_path / "film.mkv", 0.6, set_back=True)
        levels(opened, 1)
        assert opened.as_dict()["accepted"] == []
    finally:
        opened.close()
