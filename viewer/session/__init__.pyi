from .cam_angle import cam_channels, cam_lines, learnt_cam
from .cards import given, keep_or_show, show
from .columns import GuessedColumnsError, ask_columns
from .command_options import engine_options, job_of, job_options, joined_texts
from .judgement import (
    Judged,
    check_different,
    check_picture_path,
    in_amperes,
    judge,
    judge_as_told,
    picture_bytes,
    pool,
    scene_bytes,
    survived,
)
from .kept_files import keep, make_folder
from .news import (
    Answered,
    Broke,
    Caught,
    Dismissed,
    Ended,
    Found,
    Kept,
    LeftElsewhere,
    News,
    NoBoard,
    Opened,
    Over,
    Passing,
    Readying,
    Rescued,
    Resting,
    Retrying,
    Saved,
    Told,
    Unjudged,
    Unkept,
)
from .outcome import LOST
from .outputs import Outputs, check_writable, unwritable
from .particulars import (
    NOTHING_GIVEN,
    about_of,
    check_options,
    filled,
    question_for,
    sheet_job,
    told_about,
    with_result,
)
from .prompts import ask_engine, ask_rig, calibrate, can_ask
from .question import LOW_PERCENT, Question, carried, question_of, rig_of, settings_of
from .recording import HDF5_SUFFIXES, longest, read_capture
from .session import Session
from .session_plan import Followed, Patience, SessionPlan, plan_of
from .signals import Signals
from .standing import ENOUGH_S, RUNNING, VERDICTS, Phase, Spoken, Standing, after, sentence, spoken
from .tones import NOTES, Sink, told_by_tone, tone_wav
from .tooth_times import read_motion
from .warm_up import VIRTUAL, prepare_solver, prepare_virtual

__all__ = [
    "Answered", "Broke", "Caught", "Dismissed", "ENOUGH_S", "Ended", "Followed", "Found", "GuessedColumnsError",
    "HDF5_SUFFIXES", "Judged", "Kept", "LOST", "LOW_PERCENT", "LeftElsewhere", "NOTES", "NOTHING_GIVEN", "News",
    "NoBoard", "Opened", "Outputs", "Over", "Passing", "Patience", "Phase", "Question", "RUNNING", "Readying",
    "Rescued", "Resting", "Retrying", "Saved", "Session", "SessionPlan", "Signals", "Sink", "Spoken", "Standing",
    "Told", "Unjudged", "Unkept", "VERDICTS", "VIRTUAL", "about_of", "after", "ask_columns", "ask_engine", "ask_rig",
    "calibrate", "cam_channels", "cam_lines", "can_ask", "carried", "check_different", "check_options",
    "check_picture_path", "check_writable", "engine_options", "filled", "given", "in_amperes", "job_of",
    "job_options", "joined_texts", "judge", "judge_as_told", "keep", "keep_or_show", "learnt_cam", "longest",
    "make_folder", "picture_bytes", "plan_of", "pool", "prepare_solver", "prepare_virtual", "question_for",
    "question_of", "read_capture", "read_motion", "rig_of", "scene_bytes", "sentence", "settings_of", "sheet_job",
    "show", "spoken", "survived", "told_about", "told_by_tone", "tone_wav", "unwritable", "with_result",
]
