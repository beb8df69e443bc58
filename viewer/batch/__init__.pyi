from .beside import read_list
from .journal import Journal, journal_path
from .plan import Job, Planner
from .progress import counting
from .runner import OpenCrew, cluster, processes, run, usual_workers
from .table import check_table_path, table_bytes
from .work import Row, own_version

__all__ = [
    "Job", "Journal", "OpenCrew", "Planner", "Row", "check_table_path", "cluster", "counting", "journal_path",
    "own_version", "processes", "read_list", "run", "table_bytes", "usual_workers",
]
