from .bundle import BUNDLE_SUFFIX, Bundle, make_bundle, read_bundle
from .cases import Found, Left, cases_of, files_in
from .gauge_file import GaugeSheet, bare_name, read_gauge
from .privacy import personal
from .protocol import protocol_html
from .seal import RESULT_FORMAT, SEAL_FORMAT, code_of, digest_of, holds, read_json, same_code, seal_of, seal_path

__all__ = [
    "BUNDLE_SUFFIX", "Bundle", "Found", "GaugeSheet", "Left", "RESULT_FORMAT", "SEAL_FORMAT", "bare_name", "cases_of",
    "code_of", "digest_of", "files_in", "holds", "make_bundle", "personal", "protocol_html", "read_bundle",
    "read_gauge", "read_json", "same_code", "seal_of", "seal_path",
]
