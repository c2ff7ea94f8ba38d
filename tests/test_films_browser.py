"""Films as a browser plays them, by its own decoders; pages from files, nothing from a network."""

from __future__ import annotations

import base64
from pathlib import Path

import numpy as np
import pytest
from browser import Browser, browser  # noqa: F401
from films_made_up import GROUND, LIQUID, MadeUp

from poresim.show.films.files import write_film

_PLAY = """
const [data, seconds, done] = arguments;
const bytes = Uint8Array.from(atob(data), c => c.charCodeAt(0));
const video = document.createElement('video');
video.muted = true;
const fail = () => done({error: video.error ? video.error.message : 'no way to play'});
video.onerror = fail;
video.onended = () => {
  const told = {width: video.videoWidth, height: video.videoHeight, duration: video.duration,
    ended: video.ended, at: video.currentTime, frames:
    video.getVideoPlaybackQuality().totalVideoFrames};
  video.onseeked = () => {
    const canvas = document.createElement('canvas');
    canvas.width = video.videoWidth; canvas.height = video.videoHeight;
    const brush = canvas.getContext('2d');
    brush.drawImage(video, 0, 0);
    told.pixels = [...brush.getImageData(0, 0, canvas.width, canvas.height).data];
    done(told);
  };
  video.currentTime = seconds;
};
video.src = URL.createObjectURL(new Blob([bytes], {type: 'video/mp4'}));
document.body.append(video);
video.play().catch(fail);
"""

_DECODE = """
const [data, type, done] = arguments;
(async () => {
  const bytes = Uint8Array.from(atob(data), c => c.charCodeAt(0));
  const decoder = new ImageDecoder({data: bytes, type});
  await decoder.tracks.ready; await decoder.completed;
  const told = {count: decoder.tracks.selectedTrack.frameCount,
    again: String(decoder.tracks.selectedTrack.repetitionCount), lasts: [], pictures: []};
  for (let frameIndex = 0; frameIndex < told.count; frameIndex++) {
    const {image} = await decoder.decode({frameIndex});
    const canvas = new OffscreenCanvas(image.displayWidth, image.displayHeight);
    const brush = canvas.getContext('2d');
    brush.drawImage(image, 0, 0);
    told.lasts.push(image.duration / 1000);
    told.pictures.push([...brush.getImageData(0, 0, canvas.width, canvas.height).data]);
    image.close();
  }
  done(told);
})().catch(error => done({error: String(error)}));
"""


@pytest.fixture
def page(browser: Browser, tmp_path: Path) -> Browser:  # noqa: F811
    blank = tmp_path / "blank.html"
    blank.write_text("<!doctype html><title>film</title><body>", encoding="utf-8")
    browser.open(blank)
    return browser


def ask(page: Browser, script: str, path: Path, *values: object) -> dict:
    data = base64.b64encode(path.read_bytes()).decode()
    told = page.driver.execute_async_script(script, data, *values)
    assert "error" not in told, told["error"]
    return told


def test_a_video_plays_to_its_end(page, tmp_path) -> None:
    """Of known size and length; sought, it shows the picture of that time in its colours."""
    film = MadeUp(length=30, fps=25.0, rest_s=0.4)
    write_film(film, tmp_path / "film.mp4")
    told = ask(page, _PLAY, tmp_path / "film.mp4", 15.5 / 25)
    assert (told["width"], told["height"]) == film.size
    assert told["duration"] == pytest.approx(39 / 25, abs=1e-3)
    assert told["ended"] and told["at"] == pytest.approx(39 / 25, abs=0.05)
    assert told["frames"] > 20  # a busy machine may drop some
    shown = np.array(told["pixels"]).reshape(48, 64, 4)
    front = 64 * 16 // 30
    # 6: video range, and a browser's own arithmetic of colours
    np.testing.assert_allclose(shown[30:46, : front - 3, :3] - np.array(LIQUID), 0, atol=6)
    np.testing.assert_allclose(shown[30:46, front + 3 :, :3] - np.array(GROUND), 0, atol=6)


@pytest.mark.parametrize("transparent", [False, True])
@pytest.mark.parametrize("ending", ["gif", "webp"])
def test_a_browser_shows_every_picture_for_its_time(page, tmp_path, ending, transparent) -> None:
    film = MadeUp(fps=30.0, rest_s=0.5, transparent=transparent)
    write_film(film, tmp_path / f"film.{ending}")
    told = ask(page, _DECODE, tmp_path / f"film.{ending}", f"image/{ending}")
    assert told["count"] == len(film) and told["again"] == "Infinity"
    unit = 10 if ending == "gif" else 1
    begins = np.cumsum([0, *told["lasts"][:-1]])
    assert np.abs(begins - 1000 * np.arange(len(film)) / 30).max() <= unit / 2 + 1e-9
    assert told["lasts"][-1] == 500
    for number, pixels in enumerate(told["pictures"]):
        shown = np.array(pixels).reshape(48, 64, 4)
        expected = film.image(number)
        np.testing.assert_array_equal(shown[..., 3], expected[..., 3])
        drawn = expected[..., 3] > 0
        np.testing.assert_array_equal(shown[drawn], expected[drawn])
