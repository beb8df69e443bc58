from .atomic import flush_folder, write_beside, write_new
from .callback_source import CallbackSource, SoundSource
from .channel_names import (
    BATTERY,
    COUNTER,
    COUNTER_WORDS,
    CURRENT_WORDS,
    LEFT_OUT,
    OTHER_WORDS,
    PRESSURE,
    SYNC_WORDS,
    TIME,
    TIME_WORDS,
    ColumnSeen,
    free_name,
    role_of,
    words_of,
)
from .contract import CURRENT, SYNC, Channel, EndOfStream, Notice, Samples, Source, SourceInfo
from .declarations import CONTRACT, BoardDeclaration, BoardFound, Capabilities, ReaderDeclaration, Setting, shareable
from .discovery import KindFound, discover_boards, lasting_address
from .errors import (
    AcquireError,
    BoardBusyError,
    BoardDisconnectedError,
    BoardGarbledError,
    BoardNotFoundError,
    BoardPermissionError,
    BoardStalledError,
    FileFormatError,
    RingOverrunError,
    SettingError,
    ShutdownTimeoutError,
)
from .files.hdf5 import Hdf5File
from .files.isolated import Apart, make_ready
from .files.storage import StoredCapture, StoredFacts, capture_image, read_facts, read_stored, save_capture
from .hooks import hookimpl
from .notices import SURVIVED, notices_of
from .opening import open_board, open_file
from .plugin_module import PluginOrigin
from .registry import Plugins, load_plugins
from .rig.about import About, Job
from .rig.calibration import Level, calibrated, known_currents, level_of
from .rig.cards import BELT, EngineCard, Rig, changed, with_cam
from .rig.check import Finding, check_rig, observe
from .rig.probe import Probe, in_base_units
from .rig.quality import smallest_leak_percent
from .rig.shelf import Shelf, check_name, save_card
from .rig.wiring import current_of, wired
from .socket_source import SocketSource
from .stream.caught import CaughtCrank
from .stream.journal import JournalWriter
from .stream.journal_reading import State, recover
from .stream.leftovers import Left, TakenUp, left_behind, stem_of, take_up, write_named
from .stream.owner import Owner, lock, locked, this_program
from .stream.plan import Event, Happening, RecordingPlan
from .stream.recorder import Recorder, record
from .stream.ring import RingBuffer
from .toml import TomlTable, parse_toml, read_toml

__all__ = [
    "About", "AcquireError", "Apart", "BATTERY", "BELT", "BoardBusyError", "BoardDeclaration",
    "BoardDisconnectedError", "BoardFound", "BoardGarbledError", "BoardNotFoundError", "BoardPermissionError",
    "BoardStalledError", "CONTRACT", "COUNTER", "COUNTER_WORDS", "CURRENT", "CURRENT_WORDS", "CallbackSource",
    "Capabilities", "CaughtCrank", "Channel", "ColumnSeen", "EndOfStream", "EngineCard", "Event", "FileFormatError",
    "Finding", "Happening", "Hdf5File", "Job", "JournalWriter", "KindFound", "LEFT_OUT", "Left", "Level", "Notice",
    "OTHER_WORDS", "Owner", "PRESSURE", "PluginOrigin", "Plugins", "Probe", "ReaderDeclaration", "Recorder",
    "RecordingPlan", "Rig", "RingBuffer", "RingOverrunError", "SURVIVED", "SYNC", "SYNC_WORDS", "Samples", "Setting",
    "SettingError", "Shelf", "ShutdownTimeoutError", "SocketSource", "SoundSource", "Source", "SourceInfo", "State",
    "StoredCapture", "StoredFacts", "TIME", "TIME_WORDS", "TakenUp", "TomlTable", "calibrated", "capture_image",
    "changed", "check_name", "check_rig", "current_of", "discover_boards", "flush_folder", "free_name", "hookimpl",
    "in_base_units", "known_currents", "lasting_address", "left_behind", "level_of", "load_plugins", "lock", "locked",
    "make_ready", "notices_of", "observe", "open_board", "open_file", "parse_toml", "read_facts", "read_stored",
    "read_toml", "record", "recover", "role_of", "save_capture", "save_card", "shareable", "smallest_leak_percent",
    "stem_of", "take_up", "this_program", "wired", "with_cam", "words_of", "write_beside", "write_named", "write_new",
]
