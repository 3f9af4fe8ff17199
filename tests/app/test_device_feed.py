"""What is said of a device's frames: nothing that a healthy one cannot help."""

import time
from dataclasses import replace
from typing import Any

import pytest

from logger.app.device_feed import DeviceFeed
from logger.clock import Clock
from logger.link import link_events as link
from logger.model.rig import RigDevice
from logger.pipeline.engine import Engine


@pytest.fixture
def feed() -> DeviceFeed:
    return DeviceFeed(RigDevice("scale", url="/dev/x"), Engine(), Clock(), 1.0, lambda event: None, lambda *frame: None)


def gap(first: int, last: int) -> link.GapLost:
    return link.GapLost(1, 7, first, last, "not kept any more")


def test_the_rest_of_a_line_cut_by_opening_the_port_is_no_bad_frame(feed: DeviceFeed) -> None:
    bad = link.BadFrameSeen(1, b"x", "crc", 0, "crc")
    feed.take(bad)
    assert feed.shown()["bad_frames"] == 0
    feed.frames = 1
    feed.take(bad)
    assert "1 bad frame" in feed.shown()["text"] and "1 bad frames" not in feed.shown()["text"]


def test_frames_from_while_the_logger_was_off_are_not_called_lost(feed: DeviceFeed) -> None:
    feed._first = (7, 25_000)  # boot and sequence of the first samples of this run
    feed.take(gap(535, 24_999))
    said: dict[str, Any] = feed.shown()
    assert "24,465 frames from while the logger was off" in said["text"]
    assert "lost" not in said["text"]
    feed.take(gap(25_010, 25_010))
    feed.take(replace(gap(1, 2), boot_count=8))
    assert feed.shown()["lost_frames"] == 3


def test_a_device_that_restarts_again_and_again_is_in_trouble_and_one_brown_out_is_none(feed: DeviceFeed) -> None:
    feed.connected = True
    for boot in range(2, 5):
        assert feed.trouble() is None
        feed.take(link.Rebooted(time.monotonic_ns(), b"", boot - 1, boot))
    assert "restarts again and again, boot count 4" in str(feed.trouble())


def test_a_device_that_answers_and_cannot_be_read_is_not_said_to_be_looked_for(feed: DeviceFeed) -> None:
    assert feed.shown()["text"] == "looking for it"
    feed.take(link.Contradiction(time.monotonic_ns(), "layout", "describe: key 3: 9 is no sample type"))
    text = feed.shown()["text"]
    assert "looking for it" not in text
    assert text.count("is no sample type") == 1
