from .beside import read_list
from .dask_cluster import DaskCluster
from .data_set import DataSet
from .journal import Journal
from .plan import Job, Plan, Planner
from .progress import counting
from .runner import OpenCrew, processes, run, usual_workers
from .table import check_table_path, columns_of, is_data_set, write_table
from .work import Answer, Row, own_version

__all__ = [
    "Answer", "DaskCluster", "DataSet", "Job", "Journal", "OpenCrew", "Plan", "Planner", "Row", "check_table_path",
    "columns_of", "counting", "is_data_set", "own_version", "processes", "read_list", "run", "usual_workers",
    "write_table",
]
