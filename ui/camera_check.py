"""What `driftbeat cameras` prints: cameras by identity, what they deliver, and what that rules out."""

from __future__ import annotations

import re
from dataclasses import dataclass
from pathlib import Path
from typing import cast

import click
import cv2
import numpy as np

from capture.camera_list import Delivery, list_cameras, measure_delivery
from capture.clock import SystemClock
from capture.errors import CaptureError
from capture.live import CameraSettings, LiveSource
from capture.open_source import open_source


@dataclass(frozen=True, slots=True)
class CameraOptions:
    """The options of the command, as click hands them over."""

    measure: bool
    preview: Path | None
    sources: tuple[str, ...]
    rate: float | None
    size: tuple[int, int] | None
    exposure: float | None
    gain: float | None

    def settings(self) -> CameraSettings:
        """What is asked of every camera."""
        width, height = self.size or (None, None)
        return CameraSettings(width, height, self.rate, self.exposure, self.gain)


def check_cameras(options: CameraOptions) -> int:
    """Print and measure; 1 when there is no camera, or one could not be measured."""
    cv2.setNumThreads(1)
    if options.sources:
        texts = list(options.sources)
    else:
        cameras = list_cameras()
        for camera in cameras:
            serial = f", serial {camera.serial}" if camera.serial else ""
            click.echo(f"{camera.identity}: {camera.name}, port {camera.port}{serial}")
        if not cameras:
            click.echo("There is no camera at this computer.", err=True)
            return 1
        texts = [f"camera:{camera.identity}" for camera in cameras]
    if not (options.measure or options.preview or options.sources):
        return 0
    measured = [_measure(text, options) for text in texts]
    return int(not all(measured))


def _measure(text: str, options: CameraOptions) -> bool:
    clock = SystemClock()
    try:
        source = cast(LiveSource, open_source(text, clock, options.settings()))
        try:
            delivery = measure_delivery(source, clock)
        finally:
            source.close()
    except CaptureError as error:
        click.echo(f"{text}: {error}", err=True)
        return False
    click.echo(delivery_text(text, delivery))
    if options.preview is not None:
        click.echo(f"  picture: {write_preview(options.preview, text, delivery)}")
    return True


def delivery_text(text: str, delivery: Delivery) -> str:
    """What a source really delivers, in lines."""
    got, rate = delivery.settings.got, delivery.rate
    height, width = delivery.picture.image.shape
    lines = [
        f"{text}: {width}x{height}, {rate.true_hz:.1f} distinct pictures/s "
        f"({rate.delivered_hz:.1f} delivered, {rate.copies} copies, {rate.lost} lost)",
        *(f"  says {part}" for part in _told(got)),
        *(f"  {line}" for line in delivery.settings.differences()),
        *(f"  {line}" for line in rate.cautions),
        *(f"  {line}" for line in rate.ruled_out),
        f"  mean grey level {np.mean(delivery.picture.image):.0f} of 255",
    ]
    return "\n".join(lines)


def _told(got: CameraSettings) -> list[str]:
    parts = [
        "" if got.rate_hz is None else f"{got.rate_hz:g} pictures/s",
        "" if got.exposure_ms is None else f"exposure {got.exposure_ms:g} ms",
        "" if got.gain is None else f"gain {got.gain:g}",
        "" if got.pixel_format is None else f"format {got.pixel_format}",
    ]
    return [part for part in parts if part]


def write_preview(folder: Path, text: str, delivery: Delivery) -> Path:
    """Write the last picture as PNG under a name made from the source; an existing one is replaced."""
    folder.mkdir(parents=True, exist_ok=True)
    path = folder / f"{re.sub(r'[^A-Za-z0-9]+', '-', text).strip('-')[:80]}.png"
    path.write_bytes(cv2.imencode(".png", delivery.picture.image)[1].tobytes())
    return path
