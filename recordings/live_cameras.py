"""The cameras of a pair of goggles, running, and the shared memory that shows what they see."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import cast

from capture.clock import Clock
from capture.live import CameraSettings, LiveSource
from capture.profile import CameraProfile, GoggleProfile
from capture.samples import NAN, Eye
from capture.source import Source
from capture.tracker import Tracker, warm_up
from recordings.camera_threads import CameraThreads
from recordings.camera_watch import CameraWatch, Look
from recordings.commands import GogglesPlan, Start
from recordings.crop import crop_around
from recordings.errors import RecordingError
from recordings.handing import EyeTracker, Keeping
from recordings.info import EyeSource, ImagesKept, Region
from recordings.one_recording import OneRecording, eye_sources, strangers
from recordings.shared_samples import SharedPlan, SharedWriter
from recordings.source_checks import check_keeping, check_regions
from recordings.space import bytes_per_s

JOIN_S = 2.0  # a camera that blocks for longer in its driver is left behind at the end
UNKNOWN_RATE_HZ = 250.0  # for the room on the disk, until the true rate is measured

OpenSource = Callable[[str, Clock, CameraSettings], Source]


class LiveCameras:
    """Opened by `open`, let go by `close`; recordings are attached and detached in between."""

    def __init__(
        self,
        plan: GogglesPlan,
        clock: Clock,
        tracker_factory: Callable[[], EyeTracker],
        opener: OpenSource,
    ) -> None:
        self._plan, self._clock, self._opener = plan, clock, opener
        self._tracker_factory = tracker_factory
        self.threads: list[CameraThreads] = []
        self.shared: SharedWriter | None = None

    def open(self) -> SharedPlan:
        """Open the cameras and let them run; where the shared memory is.

        Raises a SourceError for a camera, RecordingError for sources that do not fit the profile.
        """
        profile = self._plan.profile
        strangers([camera.identity for camera in profile.cameras], self._plan.sources, profile.name)
        if self._tracker_factory is Tracker:
            warm_up()
        sources: dict[str, LiveSource] = {}
        try:
            for identity, text in self._plan.sources.items():
                asked = self._plan.settings.asked_over(_camera(profile, identity).settings)
                source = self._opener(text, self._clock, asked)
                sources[identity] = cast(LiveSource, source)
            self.shared = self._share(sources)
            self.threads = [self._threads(name, source) for name, source in sources.items()]
        except BaseException:
            for source in sources.values():
                source.close()
            if self.shared is not None:
                self.shared.close()
            raise
        for threads in self.threads:
            threads.start()
        return self.shared.plan

    def attach(self, recording: OneRecording, asked: Start) -> None:
        """Send what comes from now on to a recording."""
        assert self.shared is not None
        self.shared.begin()
        for threads in self.threads:
            threads.attach(recording.recipient(_keeping(asked, threads)))

    def detach(self) -> None:
        """End that for all cameras; waits for none."""
        for threads in self.threads:
            threads.detach()

    def close(self) -> None:
        """Let go of the cameras; one that blocks in its driver is left behind."""
        for threads in self.threads:
            threads.stop()
            threads.source.close()
        for threads in self.threads:
            if not threads.join(JOIN_S):
                threads.abandon()

    @property
    def producers(self) -> int:
        """How many ENDs a recording gets."""
        return sum(threads.producers for threads in self.threads)

    def check(self, asked: Start) -> None:
        """Raise RecordingError where the part of a picture that is to be kept lies outside it, and where
        no camera sends pictures any more.
        """  # noqa: D205
        if len(self.ended()) == len(self.threads):
            why = " ".join(threads.problem for threads in self.threads)
            raise RecordingError(f"No camera sends pictures any more. {why} Nothing was recorded.")
        for threads in self.threads:
            check_keeping(threads, _keeping(asked, threads))

    def ended(self) -> tuple[str, ...]:
        """The cameras from which no more pictures come."""
        return tuple(one.camera.identity for one in self.threads if one.watch and one.watch.ended)

    def eye_sources(self, asked: Start) -> tuple[EyeSource, ...]:
        """Where the samples of each eye come from."""
        return tuple(
            source
            for threads in self.threads
            for source in eye_sources(threads, _keeping(asked, threads), _exposure_ms(threads))
        )

    def looks(self) -> dict[Eye, list[Look]]:
        """What each eye showed lately."""
        return {
            view.eye: list(threads.watch.looks[i])
            for threads in self.threads
            if threads.watch is not None
            for i, view in enumerate(threads.camera.views)
        }

    def iris_taken_s(self) -> dict[Eye, float]:
        """Host time at which each eye's iris reference was taken; without those still to be taken."""
        return {
            view.eye: reference.taken_s
            for threads in self.threads
            for view, reference in zip(threads.camera.views, threads.references, strict=True)
            if reference.taken_s == reference.taken_s
        }

    def crop_px(self, identity: str) -> Region | None:
        """The part of a camera's picture that is worth keeping, as its eyes are now; None: the whole."""
        (threads,) = [one for one in self.threads if one.camera.identity == identity]
        assert threads.watch is not None
        info, scale = threads.source.info, threads.camera.geometry.mm_per_px
        looks = [list(eye) for eye in threads.watch.looks]
        return crop_around(looks, (info.width_px, info.height_px), scale)

    def bytes_per_s(self, images: ImagesKept) -> float:
        """How fast a recording would grow, estimated from the cameras' true rates."""
        cameras = [(one.source.info, len(one.camera.views), _rate_hz(one)) for one in self.threads]
        return bytes_per_s(cameras, images, self._plan.rule)

    def _share(self, sources: Mapping[str, LiveSource]) -> SharedWriter:
        sizes: dict[Eye, tuple[int, int]] = {}
        places: dict[Eye, int] = {}
        for place, camera in enumerate(self._plan.profile.cameras):
            if camera.identity in sources:
                info = sources[camera.identity].info
                sizes |= {view.eye: (info.width_px, info.height_px) for view in camera.views}
                places |= {view.eye: place for view in camera.views}
        return SharedWriter(sizes, places)

    def _threads(self, identity: str, source: LiveSource) -> CameraThreads:
        cameras = self._plan.profile.cameras
        place = [camera.identity for camera in cameras].index(identity)
        got, asked = source.settings.got, source.settings.asked
        said_hz = got.rate_hz or asked.rate_hz or cameras[place].nominal_rate_hz or NAN
        threads = CameraThreads(
            cameras[place],
            place,
            source,
            tracker_factory=self._tracker_factory,
            watch=CameraWatch(self._clock, said_hz, got.exposure_ms, len(cameras[place].views)),
            onlooker=self.shared,
        )
        check_regions(threads)
        return threads


def _camera(profile: GoggleProfile, identity: str) -> CameraProfile:
    (camera,) = [one for one in profile.cameras if one.identity == identity]
    return camera


def _keeping(asked: Start, threads: CameraThreads) -> Keeping:
    return Keeping(asked.images, asked.quality, asked.crops_px.get(threads.camera.identity))


def _rate_hz(threads: CameraThreads) -> float:
    """Pictures that are delivered each second, copies too; as promised where that is not known yet."""
    rate = threads.watch.rate if threads.watch else None
    if rate is not None and rate.delivered_hz > 0:
        return rate.delivered_hz
    nominal_hz = threads.source.info.nominal_rate_hz
    return nominal_hz if nominal_hz > 0 else threads.camera.nominal_rate_hz or UNKNOWN_RATE_HZ


def _exposure_ms(threads: CameraThreads) -> float | None:
    return cast(LiveSource, threads.source).settings.got.exposure_ms
