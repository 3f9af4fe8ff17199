"""The host's side of the conversation with one device: bytes and times in, events and bytes out.

phases.py has the theory and the table. One Session outlives its connections: its model of the device knows what has
arrived of this boot, so that after a cut the missing frames are asked for. A changed boot count voids that.
"""

from collections.abc import Callable
from dataclasses import dataclass
from typing import Final

from firmware_protocol.codes import DeviceState, ErrorCode
from firmware_protocol.errors import (
    LayoutError,
    LayoutMismatchError,
    ProtocolError,
    UnknownMessageError,
    UnsupportedVersionError,
)
from firmware_protocol.framing import BadFrame, Frame, FrameDecoder
from firmware_protocol.layout import Layout
from firmware_protocol.messages import (
    Accepted,
    Describe,
    ErrorMessage,
    Hello,
    Message,
    OutputDescription,
    Resending,
    Samples,
    Status,
    TimeMarked,
    decode_payload,
)
from firmware_protocol.requests import (
    Permit,
    Request,
    RequestDescribe,
    RequestHello,
    RequestOutput,
    RequestStatus,
    ResendFrom,
    Start,
    Stop,
    TimeMark,
)
from logger.decode.device_model import Explained, ProtocolDevice
from logger.link import link_events as events
from logger.link.errors import NO_ANSWER, UNUSABLE, LinkLost
from logger.link.line_report import CONTENT, LineReport, error_text, request_words
from logger.link.link_events import SessionEvent
from logger.link.rate_limit import RateLimit
from logger.link.session.delivery import Delivery
from logger.link.session.descriptions import Descriptions
from logger.link.session.phases import OVER, TABLE, TALKING, Phase, Signal
from logger.link.session.requests import Exchange, SentRequest
from logger.model.units import NS_PER_S

STALL_NS: Final = NS_PER_S  # between two ticks: the host stood still
WRONG_LAYOUTS: Final = 5  # descriptions that do not make the layout of the hello, one after another
STRAY_REPLIES: Final = 3  # in a handshake, one after another: it is not a board that was only just starting
LATE_IDS: Final = 8  # a reply to one of the requests so long before is late, another id is invented

_Reply = OutputDescription | Status | Accepted | Resending | TimeMarked | ErrorMessage


@dataclass(frozen=True, slots=True)
class Settings:
    """Times in seconds, rates per second."""

    time_mark_s: float = 15.0
    shortest_silence_s: float = 3.0
    longest_silence_s: float = 6.0
    no_answer_s: float = 6.0  # nothing good heard during the handshake
    handshake_s: float = 60.0  # heard, but no handshake
    retry_pause_s: float = 0.5  # after a step of the handshake failed
    most_frames_per_s: float = 1000.0
    most_bad_frame_events_per_s: float = 10.0
    most_restarts_per_s: float = 0.5
    most_restarts_at_once: float = 20.0


class Session:
    """See the module. All times are monotonic ns of the host, given by the caller.

    model: of the device as the record of before leaves it, None for an empty one. hello: since this session began.
    """

    def __init__(
        self,
        *,
        expected_device_id: bytes | None = None,
        model: ProtocolDevice | None = None,
        settings: Settings | None = None,
    ) -> None:
        self.phase = Phase.CLOSED
        self.hello: Hello | None = None
        self.decoder = FrameDecoder()
        self.host_time: Callable[[int], int] = lambda now_ns: now_ns  # what a time mark carries, ns
        # Why a device of this id, heard at this time, is none for this session, if so.
        self.admit: Callable[[bytes, int], LinkLost | None] = lambda device_id, now_ns: None
        self._settings = settings or Settings()
        self._expected = expected_device_id
        self.model = model if model is not None else ProtocolDevice()
        self._events: list[SessionEvent] = []
        self._exchange = Exchange()
        self._descriptions = Descriptions()
        self._delivery = Delivery(self.model, lambda event: self._events.append(event))
        self._wrong_layouts = 0
        self._line = LineReport()  # since the handshake began
        self._strays = 0  # requests of the handshake, one after another, that only another id's reply answered
        self._hurdle = ""  # why the handshake does not get on, of a device whose frames are good
        self._status_seen = False  # since STARTING began
        self._began_ns = 0
        self._last_good_ns = 0
        self._ticked_ns = 0
        self._away_ns = 0  # since something good was heard or a handshake began, nobody looked
        self._not_before_ns = 0
        self._next_mark_ns = 0
        self._frames = RateLimit(self._settings.most_frames_per_s)
        self._bad_frames = RateLimit(self._settings.most_bad_frame_events_per_s)
        self._restarts = RateLimit(self._settings.most_restarts_per_s, self._settings.most_restarts_at_once)

    # -- for the owner of the connection -----------------------------------------------------------------

    @property
    def live(self) -> bool:
        """The device streams."""
        return self.phase is Phase.STREAMING

    @property
    def over(self) -> bool:
        """The connection is of no more use: close it."""
        return self.phase in OVER

    @property
    def ending(self) -> LinkLost | None:
        """Why it is over; a refusal has been an event of its own."""
        if not self.over:
            return None
        if self._hurdle:
            return LinkLost(UNUSABLE, f"it answers, but cannot be used: {self._hurdle}")
        return LinkLost(NO_ANSWER, self._line.silence(self.decoder.tail))

    @property
    def layout(self) -> Layout | None:
        """The device's channels, once described."""
        return self.model.layouts.current

    @property
    def missing(self) -> int:
        """Samples frames that are missing and still hoped for."""
        return 0 if self._delivery.backfill is None else self._delivery.backfill.missing

    @property
    def duplicates(self) -> int:
        """Samples frames that came more than once and were dropped."""
        return self._delivery.duplicates

    def connected(self, now_ns: int) -> None:
        """A stream was opened."""
        self.decoder.reset()
        self._delivery.unproven()
        self._wrong_layouts = 0
        self._ticked_ns = now_ns
        self._signal(Signal.OPENED, now_ns)
        self._pump(now_ns)

    def disconnected(self, now_ns: int) -> list[SessionEvent]:
        """The stream is gone."""
        self._exchange.drop()
        self._delivery.settle()
        for ticket, request in self._exchange.abandon():
            self._events.append(events.NoReply(now_ns, ticket, request))
        self._signal(Signal.CLOSED, now_ns)
        return self._take_events(now_ns)

    def request(self, request: Request) -> int:
        """Ask the device `request` (its id is replaced) as soon as it streams; Replied or NoReply carries the ticket.

        Raises ValueError when too many wait already and for Start and Stop, which the session rules itself;
        MessageError for values that cannot be sent.
        """
        if isinstance(request, Start | Stop):
            raise ValueError("the session starts the device itself and keeps it streaming")
        return self._exchange.want(request)

    def open_output(self, permit: Permit) -> None:
        """Send a permit that opens an output with the next bytes, whatever is outstanding; its reply is not awaited.

        Raises MessageError for values that cannot be sent.
        """
        if self.phase in TALKING:
            self._exchange.send_aside(permit)

    def cancel(self, ticket: int) -> None:
        """Nobody waits for this request any more."""
        self._exchange.cancel(ticket)

    def bytes_received(self, data: bytes, now_ns: int) -> list[SessionEvent]:
        """Bytes as they came; now_ns is the time of their arrival."""
        for item in self.decoder.feed(data):
            if isinstance(item, BadFrame):
                self._bad(item.raw, item.reason.value, item.reason.value, now_ns)
            elif self._frames.allows(now_ns):
                self._frame(item, now_ns)
        if self._frames.report_due(now_ns):
            self._events.append(events.TooManyFrames(now_ns, self._frames.take_refused()))
        self._pump(now_ns)
        return self._take_events(now_ns)

    def tick(self, now_ns: int) -> list[SessionEvent]:
        """Time passes: call a few times a second. What nobody looked at is no silence of the device."""
        if now_ns - self._ticked_ns > STALL_NS:
            self._away_ns += now_ns - max(self._ticked_ns, self._last_good_ns)
        self._ticked_ns = now_ns
        if (expired := self._exchange.expired(now_ns)) is not None:
            self._unanswered(expired, now_ns)
        if self.phase is Phase.STREAMING:
            if now_ns - self._last_good_ns - self._away_ns > self._silence_ns():
                self._events.append(events.Silent(now_ns, self._last_good_ns))
                self._signal(Signal.SILENCE, now_ns)
        else:
            silent_ns = now_ns - max(self._last_good_ns, self._began_ns) - self._away_ns
            handshake_ns = now_ns - self._began_ns - self._away_ns
            if (
                silent_ns > self._settings.no_answer_s * NS_PER_S
                or handshake_ns > self._settings.handshake_s * NS_PER_S
            ):
                self._signal(Signal.NO_ANSWER, now_ns)
        self._pump(now_ns)
        return self._take_events(now_ns)

    def bytes_to_send(self) -> bytes:
        """Bytes for the device, to be written at once."""
        return self._exchange.take()

    # -- phases and requests ------------------------------------------------------------------------------

    def _signal(self, signal: Signal, now_ns: int) -> None:
        phase = TABLE.get((self.phase, signal))
        if phase is None:
            return
        if self.phase in (Phase.CLOSED, Phase.STREAMING):  # a handshake begins
            self._began_ns = now_ns
            self._away_ns = 0
            self._not_before_ns = now_ns
            self._line, self._hurdle, self._strays = LineReport(), "", 0
        elif signal is Signal.STALE:
            self._pause(now_ns)
        if phase is Phase.STARTING:
            self._status_seen = False
        self.phase = phase

    def _pause(self, now_ns: int) -> None:
        self._not_before_ns = now_ns + int(self._settings.retry_pause_s * NS_PER_S)

    def _pump(self, now_ns: int) -> None:
        """Ask what is to be asked, if nothing is outstanding."""
        if self.phase not in TALKING or self._exchange.asked is not None or now_ns < self._not_before_ns:
            return
        if self.phase is Phase.STREAMING and self._exchange.send_wanted(now_ns):
            return
        if (request := self._next_request(now_ns)) is not None:
            self._exchange.send(request, now_ns)

    def _next_request(self, now_ns: int) -> Request | None:
        if self.phase is Phase.GREETING:
            return RequestHello(0)
        if self.phase is Phase.DESCRIBING:
            return self._descriptions.next_request()
        if self.phase is Phase.STARTING:
            return Start(0) if self._status_seen else RequestStatus(0)
        if now_ns >= self._next_mark_ns:
            self._next_mark_ns = now_ns + int(self._settings.time_mark_s * NS_PER_S)
            return TimeMark(0, self.host_time(now_ns))
        if self._delivery.backfill is not None and not self._frames.refusing(now_ns):
            return self._delivery.backfill.next_request(now_ns)
        return None

    def _unanswered(self, asked: SentRequest, now_ns: int) -> None:
        if isinstance(asked.request, ResendFrom) and self._delivery.backfill is not None:
            self._delivery.backfill.unanswered()
        if asked.ticket is not None and self._exchange.tried_in_vain(asked.ticket):
            self._events.append(events.NoReply(now_ns, asked.ticket, asked.request))
        stray = self._exchange.stray
        self._strays = 0 if stray is None or self.phase is Phase.STREAMING else self._strays + 1
        if stray is not None and self._strays >= STRAY_REPLIES:
            late = (asked.request.request_id - stray) % 255 <= LATE_IDS
            what = "comes later than after 1 s" if late else f"carries id {stray}, not that of the request"
            self._contradicts("reply", f"its reply when asked for {request_words(asked.request)} {what}", now_ns)

    def _received(self, now_ns: int) -> None:
        """Something good: silence begins again."""
        self._last_good_ns, self._away_ns = now_ns, 0

    def _silence_ns(self) -> int:
        settings = self._settings
        channels = self.layout.channels if self.layout is not None else ()
        shortest_s = min((channel.period_ms / 1000 for channel in channels), default=settings.longest_silence_s)
        return int(NS_PER_S * min(max(3 * shortest_s, settings.shortest_silence_s), settings.longest_silence_s))

    def _take_events(self, now_ns: int) -> list[SessionEvent]:
        self._delivery.report_lost(now_ns)
        taken = self._events[:]
        self._events.clear()
        return taken

    # -- what arrives -------------------------------------------------------------------------------------

    def _bad(self, raw: bytes, code: str, reason: str, now_ns: int) -> None:
        self._line.bad(code, raw, reason)
        if code == CONTENT:
            self._hurdle = reason
        if self._bad_frames.allows(now_ns):
            self._events.append(events.BadFrameSeen(now_ns, raw, reason, self._bad_frames.take_refused(), code))

    def _contradicts(self, code: str, reason: str, now_ns: int) -> None:
        self._hurdle = reason
        self._events.append(events.Contradiction(now_ns, code, reason))

    def _refuse(self, raw: bytes, code: str, reason: str, now_ns: int) -> None:
        self._events.append(events.DeviceRefused(now_ns, raw, code, reason))
        self._signal(Signal.WRONG_DEVICE, now_ns)

    def _frame(self, frame: Frame, now_ns: int) -> None:
        if self.over:
            return
        try:
            message = decode_payload(frame.payload)
        except UnknownMessageError as exc:
            self._received(now_ns)
            self._events.append(events.Ignored(now_ns, frame.raw, str(exc)))
            return
        except UnsupportedVersionError as exc:
            self._refuse(frame.raw, "other-version", str(exc), now_ns)
            return
        except ProtocolError as exc:
            self._bad(frame.raw, CONTENT, str(exc), now_ns)
            return
        self._line.good += 1
        self._received(now_ns)
        match message:
            case Samples():
                if self.phase is Phase.STREAMING and self._delivery.is_news(message.layout_id):
                    self._signal(Signal.STALE, now_ns)
                self._delivery.take(frame, message, now_ns)
            case Hello():
                self._hello(frame.raw, message, now_ns)
            case Describe():
                self._describe(frame, message, now_ns)
            case OutputDescription() | Status() | Accepted() | Resending() | TimeMarked() | ErrorMessage():
                self._reply(frame.raw, message, now_ns)
            case _:
                reason = "a request; does the line send back what it is sent?"
                self._events.append(events.Ignored(now_ns, frame.raw, reason))

    def _hello(self, raw: bytes, hello: Hello, now_ns: int) -> None:
        self._exchange.answered(hello.request_id)
        known = self.hello
        expected = self._expected if known is None else known.device_id
        if expected is not None and hello.device_id != expected:
            reason = f"device {hello.device_id.hex()} answers where {expected.hex()} is expected"
            self._refuse(raw, "other-device", reason, now_ns)
            return
        if (not_ours := self.admit(hello.device_id, now_ns)) is not None:
            self._refuse(raw, not_ours.code, str(not_ours), now_ns)
            return
        before = self._boot_count_before(hello)
        rebooted = before is not None and before != hello.boot_count
        other_channels = known is not None and known.layout_id != hello.layout_id
        if (rebooted or other_channels) and not self._restarts.allows(now_ns):
            self._pause(now_ns)
            if self._restarts.report_due(now_ns):
                count = self._restarts.take_refused()
                self._events.append(events.TooManyFrames(now_ns, count, "device restarts again and again"))
            return
        if rebooted:
            self._delivery.settle()
        self._events.append(events.HelloReceived(now_ns, raw, hello, self._explained(raw, hello)))
        if before is not None and rebooted:
            self._exchange.drop()
            self._delivery.forget_boot("the device restarted", now_ns)
            self._events.append(events.Rebooted(now_ns, raw, before, hello.boot_count))
            self._signal(Signal.STALE, now_ns)
        elif other_channels:
            self._signal(Signal.STALE, now_ns)
        self.hello = hello
        if self.phase is Phase.GREETING:
            self._not_before_ns = now_ns
            self._descriptions.begin(hello)
            self._signal(Signal.HELLO, now_ns)
            self._described(now_ns)

    def _boot_count_before(self, hello: Hello) -> int | None:
        """Of this device, None when nothing is known of it."""
        known = self.model.hello
        if known is None:
            return None
        if known.device_id != hello.device_id:  # of an earlier run: another device has taken its place
            self._delivery.backfill = None
            return None
        return known.boot_count

    def _explained(self, raw: bytes, message: Message) -> Explained:
        explained = self.model.take(raw, message)
        assert explained is not None, "a message that was decoded is explained"
        return explained

    def _describe(self, frame: Frame, message: Describe, now_ns: int) -> None:
        asked = self._exchange.answered(message.request_id)
        if self.phase is not Phase.DESCRIBING:
            self._events.append(events.Ignored(now_ns, frame.raw, "a late description"))
            return
        self._collect(frame.raw, message, asked, now_ns)

    def _collect(
        self, raw: bytes, message: Describe | OutputDescription, asked: SentRequest | None, now_ns: int
    ) -> None:
        request = None if asked is None else asked.request
        if isinstance(request, RequestDescribe | RequestOutput) and request.index != message.index:
            reason = f"asked for {request_words(request)}, index {request.index}, it answers with index {message.index}"
            self._contradicts("description", reason, now_ns)
            self._pause(now_ns)
            return
        self._descriptions.add(raw, message)
        self._described(now_ns)

    def _described(self, now_ns: int) -> None:
        """Go on to start the device when nothing is left to ask."""
        if self._descriptions.next_request() is not None:
            return
        frames = self._descriptions.frames
        try:
            explained = tuple(self._explained(raw, message) for raw, message in frames)
            if self.layout is None:
                raise LayoutError("they do not make the layout of its hello")
        except ProtocolError as exc:
            self._wrong_layouts += 1
            reason = f"its descriptions cannot be used: {_layout_words(exc)}"
            self._contradicts("layout", reason, now_ns)
            if self._wrong_layouts >= WRONG_LAYOUTS:
                self._refuse(b"", "bad-descriptions", reason, now_ns)
            self._signal(Signal.STALE, now_ns)
            return
        self._wrong_layouts = 0
        raws = tuple(raw for raw, _ in frames)
        self._events.append(events.Described(now_ns, raws, explained, self.layout, self._descriptions.outputs))
        self._signal(Signal.DESCRIBED, now_ns)

    def _reply(self, raw: bytes, message: _Reply, now_ns: int) -> None:
        asked = self._exchange.answered(message.request_id)
        request = None if asked is None else asked.request
        match message:
            case Status():
                explained = self._explained(raw, message)
                self._events.append(events.StatusReceived(now_ns, raw, message, explained))
            case ErrorMessage():
                self._events.append(events.DeviceError(now_ns, raw, message))
            case TimeMarked() if asked is not None and isinstance(request, TimeMark):
                explained = self._explained(raw, message)
                self._events.append(events.TimeMarked(now_ns, raw, asked.sent_ns, message, explained))
            case Accepted() if isinstance(request, Start):
                self._events.append(events.Started(now_ns, raw, message))
            case OutputDescription() if self.phase is Phase.DESCRIBING:
                self._collect(raw, message, asked, now_ns)
            case _ if asked is None:
                self._events.append(events.Ignored(now_ns, raw, "a late reply"))
        if asked is not None and (asked.ticket is not None or isinstance(message, Resending)):
            self._events.append(events.Replied(now_ns, raw, asked.ticket, asked.request, message))
        if isinstance(message, ErrorMessage):
            self._refused(message, request, now_ns)
        elif not isinstance(message, OutputDescription):
            self._follow(message, request, now_ns)

    def _refused(self, error: ErrorMessage, request: Request | None, now_ns: int) -> None:
        backfill = self._delivery.backfill
        if isinstance(request, ResendFrom) and backfill is not None:
            backfill.unanswered()
            if error.code in (ErrorCode.NOT_SUPPORTED, ErrorCode.UNKNOWN_REQUEST):
                backfill.supported = False
        if request is not None:
            if self.phase is not Phase.STREAMING:
                self._hurdle = f"asked for {request_words(request)} it refuses: {error_text(error)}"
            self._pause(now_ns)

    def _follow(
        self, message: Status | Accepted | Resending | TimeMarked, request: Request | None, now_ns: int
    ) -> None:
        """What the device's state means for the phase, the sequence and the missing frames."""
        hello, backfill = self.hello, self._delivery.backfill
        if hello is None:
            return
        if (difference := _difference(message, hello)) is not None:
            if self.phase is Phase.STARTING:  # while it streams it may have started again, or changed its channels
                self._contradicts(*difference, now_ns)
            self._signal(Signal.STALE, now_ns)
        elif isinstance(message, Accepted) and isinstance(request, Start) and self.phase is Phase.STARTING:
            self._next_mark_ns = now_ns
            self._delivery.started(hello, message, now_ns)
            self._signal(Signal.STARTED, now_ns)
        elif isinstance(message, Status) and self.phase is Phase.STARTING:
            self._status_seen = True
            self._delivery.before_start(message.next_sequence)
        elif isinstance(message, Status) and self.phase is Phase.STREAMING and backfill is not None:
            if message.state == DeviceState.IDLE:
                self._signal(Signal.STOPPED, now_ns)
            elif backfill.went_back(message.next_sequence):
                reason = f"status says that sequence {message.next_sequence} is next, but later ones have come"
                self._contradicts("sequence", reason, now_ns)
                self._signal(Signal.STALE, now_ns)
            else:
                backfill.announced(message.next_sequence)
        elif isinstance(message, Resending) and isinstance(request, ResendFrom) and backfill is not None:
            self._frames.expect(min(message.count, request.count))
            backfill.answered(message, now_ns)


def _difference(message: Status | Accepted | Resending | TimeMarked, hello: Hello) -> tuple[str, str] | None:
    """What a reply says of the device that its hello did not: about what, and in words."""
    what = type(message).__name__.lower()
    if message.boot_count != hello.boot_count:
        return "boot", f"{what} says boot count {message.boot_count}, hello {hello.boot_count}"
    if isinstance(message, Status | Accepted) and message.layout_id != hello.layout_id:
        return "layout", f"{what} says layout 0x{message.layout_id:08x}, hello 0x{hello.layout_id:08x}"
    return None


def _layout_words(exc: ProtocolError) -> str:
    if isinstance(exc, LayoutMismatchError):
        return f"they make layout 0x{exc.found:08x}, its hello says 0x{exc.expected:08x}"
    return str(exc)
