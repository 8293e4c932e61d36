"""Cameras that run, and recordings made from them one after the other.

    open -> ready <-> recording -> close        sealing goes on beside, in child processes

Cameras are read and eyes are tracked from `open` to `close`, so a window always has a picture. `start` sends
what comes from then on to a new recording, `stop` ends it within a fraction of a second even while a camera
is silent, and the next may start at once.
"""

from __future__ import annotations

import threading
from collections.abc import Callable, Mapping
from contextlib import suppress
from pathlib import Path
from types import TracebackType
from typing import cast

import msgspec

from capture.clock import Clock
from capture.light_gate import LightVerdict, light_gate
from capture.live import CameraSettings, LiveSource
from capture.open_source import is_live, open_source
from capture.samples import NAN, Eye, Target
from capture.source import Source
from capture.tracker import Tracker, warm_up
from recordings.camera_threads import CameraThreads, EyeTracker, Keeping
from recordings.camera_watch import CameraWatch, Look
from recordings.commands import GogglesPlan, Start
from recordings.cover_check import CoverVerdict, judge_cover
from recordings.crop import crop_around
from recordings.errors import RecordingError
from recordings.event import Event
from recordings.info import EyeIdentity, ImagesKept, LiveOpening, Opening, Region, software
from recordings.journal_thread import LIVE_QUEUE, Committed
from recordings.layout import refuse_without_locking
from recordings.live_status import camera_status, journal_status
from recordings.one_recording import OneRecording, eye_sources, strangers
from recordings.sealer import Sealer
from recordings.shared_samples import SharedPlan, SharedWriter
from recordings.source_checks import check_keeping, check_patient, check_regions
from recordings.space import bytes_per_s, check_space, free_bytes, hours_left, open_data_folder
from recordings.status import State, Status

LOOK_S = 0.1  # between two looks at how things are; a lost signal is seen 0.3 s after its last picture
JOIN_S = 2.0  # a camera that blocks for longer in its driver is left behind at the end
LEAST_ROOM_S = 60.0  # room that is asked for where nobody says how long a recording will be

UNKNOWN_RATE_HZ = 250.0  # for the room on the disk, until the true rate is measured

OpenSource = Callable[[str, Clock, CameraSettings], Source]


class LiveRecorder:
    """For one thread, which opens, starts, stops and closes; `status` and `mark` may be called from any."""

    def __init__(
        self,
        plan: GogglesPlan,
        *,
        clock: Clock,
        tracker_factory: Callable[[], EyeTracker] = Tracker,
        opener: OpenSource = open_source,
    ) -> None:
        """Take what is needed; nothing is touched before `open`."""
        self._plan, self._clock, self._opener = plan, clock, opener
        self._tracker_factory = tracker_factory
        self.identity: EyeIdentity = "unproven"
        self._threads: list[CameraThreads] = []
        self._shared: SharedWriter | None = None
        self._recording: OneRecording | None = None
        self._started_s = 0.0
        self._state: State = "ready"
        self._in_trouble = threading.Event()
        self._sealer = Sealer()
        self._closing = threading.Event()
        self._watcher = threading.Thread(target=self._watch, name="watch", daemon=True)

    @property
    def folder(self) -> Path | None:
        """Of the recording that goes on; None while none does."""
        return None if self._recording is None else self._recording.folder

    def open(self) -> SharedPlan:
        """Open the cameras and let them run; where the shared memory is.

        Raises a SourceError for a camera, RecordingError for sources that do not fit the profile.
        """
        refuse_without_locking()
        strangers(
            [camera.identity for camera in self._plan.profile.cameras],
            self._plan.sources,
            self._plan.profile.name,
        )
        if self._tracker_factory is Tracker:
            warm_up()
        sources: dict[str, LiveSource] = {}
        try:
            for identity, text in self._plan.sources.items():
                source = self._opener(text, self._clock, self._plan.settings)
                sources[identity] = cast(LiveSource, source)
            self._make_threads(sources)
        except BaseException:
            for source in sources.values():
                source.close()
            if self._shared is not None:
                self._shared.close()
            raise
        for threads in self._threads:
            threads.start()
        self._watcher.start()
        assert self._shared is not None
        return self._shared.plan

    def start(self, asked: Start) -> Path:
        """Begin a recording; its folder.

        Raises RecordingError while another goes on, for a patient before goggles whose light is not known to
        be safe, and for eyes that are exchanged; StorageError for the disk.
        """
        if self._recording is not None:
            raise RecordingError("A recording is going on. Stop it first.")
        verdict = self.light()
        check_patient(asked.circumstances, verdict, self.identity)
        for threads in self._threads:
            check_keeping(threads, self._keeping(asked, threads))
        open_data_folder(self._plan.data_folder)
        expected = int(self.bytes_per_s(asked.images) * (asked.seconds or LEAST_ROOM_S))
        check_space(self._plan.data_folder, expected, self._plan.rule)
        recording = OneRecording(
            self._plan.data_folder,
            lambda identity: self._opening(identity, asked, verdict),
            {eye: msgspec.json.encode(made) for eye, made in asked.calibrations.items()},
            producers=sum(threads.producers for threads in self._threads),
            rule=self._plan.rule,
            failed=self._in_trouble.set,
            queue_rule=LIVE_QUEUE,
            on_commit=self._committed,
        )
        for row in (*asked.targets, *asked.events):
            recording.put(row)
        self._in_trouble.clear()
        self._started_s = self._clock.now_s()
        self._recording, self._state = recording, "recording"
        for threads in self._threads:
            threads.attach(recording.recipient(self._keeping(asked, threads)))
        return recording.folder

    def mark(self, what: Target | Event) -> None:
        """Add a target or event while recording, in the host's time. RecordingError when none goes on."""
        self._going_on().put(what)

    def stop(self, reason: str = "", *, last: bool = False) -> Path:
        """End the recording and begin to seal it; its folder. Empty `reason`: it is complete.

        `last`: no other follows, so sealing may take all the time there is.

        Raises RecordingError when none goes on, StorageError when the disk took no more.
        """
        recording = self._going_on()
        if reason:
            recording.break_off(reason)
        self._state = "ending"
        try:
            for threads in self._threads:
                threads.detach()
            recording.journal.wait()
        finally:
            self._recording, self._state = None, "ready"
            self._sealer.seal(recording, behind=not last)
        recording.check_journal()
        return recording.folder

    def judge_cover(
        self, asked: Eye, open_s: tuple[float, float], covered_s: tuple[float, float]
    ) -> CoverVerdict:
        """Which eye was covered; kept, and written into the recordings that follow."""
        looks: dict[Eye, list[Look]] = {
            view.eye: list(threads.watch.looks[i])
            for threads in self._threads
            if threads.watch is not None
            for i, view in enumerate(threads.camera.views)
        }
        verdict = judge_cover(asked, looks, open_s, covered_s)
        self.identity = verdict.identity
        return verdict

    def sources(self) -> list[LiveSource]:
        """The open cameras, in the order of the status."""
        return [cast(LiveSource, threads.source) for threads in self._threads]

    def crop_px(self, identity: str) -> Region | None:
        """The part of a camera's picture that is worth keeping, as its eyes are now; None: the whole."""
        (threads,) = [one for one in self._threads if one.camera.identity == identity]
        assert threads.watch is not None
        info, scale = threads.source.info, threads.camera.geometry.mm_per_px
        looks = [list(eye) for eye in threads.watch.looks]
        return crop_around(looks, (info.width_px, info.height_px), scale)

    def light(self) -> LightVerdict:
        """Whether a patient may sit before these goggles; simulated patients always may."""
        if not any(is_live(text) for text in self._plan.sources.values()):
            return LightVerdict("patient", "")
        return light_gate(self._plan.profile, self._plan.clinic_limit_w_m2)

    def bytes_per_s(self, images: ImagesKept) -> float:
        """How fast a recording would grow, estimated from the cameras' true rates."""
        cameras = [(one.source.info, len(one.camera.views), _rate_hz(one)) for one in self._threads]
        return bytes_per_s(cameras, images, self._plan.rule)

    def hours_left(self, images: ImagesKept) -> float:
        """For how long the disk has room. Raises StorageError where there is no data folder."""
        open_data_folder(self._plan.data_folder)
        free = free_bytes(self._plan.data_folder)
        return hours_left(free, self.bytes_per_s(images), self._plan.rule)

    def status(self) -> Status:
        """How things are."""
        recording, now_s = self._recording, self._clock.now_s()
        cut_off = self._state == "recording" and recording is not None and recording.journal.wait(0)
        return Status(
            state="broken off" if cut_off else self._state,
            time_s=now_s,
            cameras=tuple(camera_status(threads) for threads in self._threads),
            recording=None if recording is None else recording.folder.name,
            recorded_s=0.0 if recording is None else now_s - self._started_s,
            journal=None if recording is None else journal_status(recording),
            problems=() if recording is None else tuple(recording.broken_off),
            sealing=self._sealer.waiting,
            sealed=self._sealer.sealed,
            unsealed=self._sealer.problems,
        )

    def wait_sealed(self, timeout_s: float | None = None) -> bool:
        """Wait until every recording is sealed; whether that is so."""
        return self._sealer.wait(timeout_s)

    def close(self, *, wait: bool = True) -> None:
        """End whatever goes on and let go of the cameras, then `wait` for sealing, which needs nobody.

        May be called again.
        """
        if self._closing.is_set():
            return
        if self._recording is not None:
            with suppress(RecordingError):  # the sealer tells it
                self.stop("the program was closed", last=True)
        for threads in self._threads:
            threads.stop()
            threads.source.close()
        for threads in self._threads:
            threads.join(JOIN_S)
        if wait:
            self._sealer.wait()
        self._state = "closed"
        self._closing.set()
        if self._watcher.is_alive():
            self._watcher.join()
        if self._shared is not None:
            self._shared.status(self.status())
            self._shared.close()

    def __enter__(self) -> LiveRecorder:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close(wait=not isinstance(error, KeyboardInterrupt))

    def _make_threads(self, sources: Mapping[str, LiveSource]) -> None:
        plan = self._plan.profile.cameras
        sizes: dict[Eye, tuple[int, int]] = {
            view.eye: (sources[camera.identity].info.width_px, sources[camera.identity].info.height_px)
            for camera in plan
            if camera.identity in sources
            for view in camera.views
        }
        places: dict[Eye, int] = {
            view.eye: place for place, camera in enumerate(plan) for view in camera.views
        }
        self._shared = SharedWriter(sizes, places)
        for place, camera in enumerate(plan):
            if camera.identity not in sources:
                continue
            source = sources[camera.identity]
            got, asked = source.settings.got, source.settings.asked
            said_hz = got.rate_hz or asked.rate_hz or camera.nominal_rate_hz or NAN
            threads = CameraThreads(
                camera,
                place,
                source,
                tracker_factory=self._tracker_factory,
                watch=CameraWatch(self._clock, said_hz, got.exposure_ms, len(camera.views)),
                onlooker=self._shared,
            )
            check_regions(threads)
            self._threads.append(threads)

    def _opening(self, identity: str, asked: Start, verdict: LightVerdict) -> Opening:
        utc, host_time_s = self._clock.utc(), self._clock.now_s()
        eyes = [
            source
            for threads in self._threads
            for source in eye_sources(threads, self._keeping(asked, threads), _exposure_ms(threads))
        ]
        return Opening(
            id=identity,
            made_utc=utc.isoformat(timespec="seconds"),
            software=software(),
            clock=type(self._clock).__name__,
            circumstances=asked.circumstances,
            profile=self._plan.profile,
            eyes=tuple(eyes),
            images=asked.images,
            live=LiveOpening(
                utc=utc.isoformat(timespec="milliseconds"),
                host_time_s=host_time_s,
                eye_identity=self.identity,
                bench=verdict.allowed == "bench only",
            ),
        )

    def _keeping(self, asked: Start, threads: CameraThreads) -> Keeping:
        crop_px = asked.crops_px.get(threads.camera.identity)
        return Keeping(asked.images, asked.quality, crop_px)

    def _going_on(self) -> OneRecording:
        if self._recording is None:
            raise RecordingError("No recording is going on.")
        return self._recording

    def _committed(self, committed: Committed) -> None:
        assert self._shared is not None
        self._shared.committed(committed)

    def _watch(self) -> None:
        """Show how things are ten times a second; end a recording whose disk is in trouble."""
        assert self._shared is not None
        while not self._closing.wait(LOOK_S):
            if self._in_trouble.is_set() and self._recording is not None:
                for threads in self._threads:
                    threads.detach()
            self._shared.status(self.status())


def _rate_hz(threads: CameraThreads) -> float:
    """Pictures that are delivered each second, copies too; as promised where that is not known yet."""
    rate = threads.watch.rate if threads.watch else None
    if rate is not None and rate.delivered_hz > 0:
        return rate.delivered_hz
    nominal_hz = threads.source.info.nominal_rate_hz
    return nominal_hz if nominal_hz > 0 else threads.camera.nominal_rate_hz or UNKNOWN_RATE_HZ


def _exposure_ms(threads: CameraThreads) -> float | None:
    return cast(LiveSource, threads.source).settings.got.exposure_ms
