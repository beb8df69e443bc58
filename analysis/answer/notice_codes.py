"""Every code that a result may carry, with the facts its sentence can use: the list that wording is checked against."""

from __future__ import annotations

REASONS: dict[str, tuple[str, ...]] = {
    "no-cranking": ("why", "peak", "noise", "longest_s", "unit", "load_mean", "load_peak", "hum", "hum_hz"),
    "too-short": ("cycles", "needed_cycles", "length_s"),
    "engine-fired": ("why", "chance_percent", "cycles", "needed_cycles", "fired_at_s"),
    "clipped": ("flat_percent", "limit_percent"),
    "ac-probe": ("corner_hz",),
    "hump-count": ("humps", "cylinders", "rpm"),
    "no-humps": ("ripple_percent", "mean", "unit"),
    "rate-too-low": ("sample_rate_hz", "needed_hz"),
    "gap": ("longest_s", "needed_s"),
    "one-cylinder": ("cycles", "rpm"),
    "not-explained": ("why", "rpm", "other_rpm", "chance_percent", "other_chance_percent", "cylinders", "least_percent",
                      "most_percent", "rest_v"),
}
"""Why no verdict could be drawn.

`why` of no-cranking: ``small-load`` (a load that stays, less than a starter draws), ``steady-load`` (glow plugs, a
heater), ``hum`` (nothing else), or none. `why` of engine-fired: ``burns`` (something burns while it is cranked), or
none (it ran by itself). Of not-explained: ``unlike`` (neither cycle rate nor card are right, by the posterior),
``two-rates`` (two cycle rates are likely and say different things), ``nothing-repeats``,
``cranks-disagree`` (of several), ``no-rest`` (a battery's voltage without its rest before the crank),
``battery-unsaid`` (a probe's output that rests and falls as only a battery does).
"""

CAUTIONS: dict[str, tuple[str, ...]] = {
    "no-scale": ("unit",),
    "scale-doubtful": ("mean_a",),
    "battery-voltage": (),
    "decompressor": ("shut_s",),
    "near-limit": ("positions", "cylinders", "limit_percent", "relative_percent", "low_end_percent",
                   "high_end_percent"),
    "cranks-disagree": ("position", "cylinders", "least_percent", "most_percent"),
    "crank-left-out": ("count", "of", "code"),
    "more-cranks": ("count", "longest_s"),
    "weak-battery": ("sag_percent",),
    "battery-channel": (),
    "battery-unit": ("unit",),
    "battery-scale": ("rest_v", "system_v"),
    "low-voltage": ("cranking_v", "least_v"),
    "slow-cranking": ("rpm",),
    "fast-smooth": ("rpm", "ripple_percent"),
    "inrush-clipped": ("inrush", "unit"),
    "some-clipped": ("flat_percent",),
    "polarity-reversed": (),
    "no-quiet": (),
    "starts-cranking": (),
    "bridged": ("count", "longest_ms", "total_ms"),
    "cut-by-gap": ("length_s",),
    "cut-short": (),
    "engine-caught": ("fired_at_s", "cycles"),
    "few-cycles": ("cycles",),
    "two-cylinders": (),
    "too-much-hump": ("position", "percent_of_others"),
    "sync-cannot-name": ("why", "marks", "needed", "agree", "seen_percent", "confidence_percent", "off_deg", "cylinder",
                         "companion", "ratio", "count"),
    "sync-contradicts": ("kind", "cylinder", "channel", "other_kind", "other_cylinder"),
    "sync-silent": ("kind", "cylinder", "channel", "other_kind", "other_cylinder", "reason"),
    "pattern-ambiguous": (),
    "gauge-not-used": ("cylinder", "why"),
    "gauge-disagrees": ("cylinder", "gauge_bar", "channel_bar"),
    "code-contradicts": ("codes", "cylinders", "coded"),
    "plug-out-cylinder": ("cylinder",),
}
"""What to mind. `why` of sync-cannot-name: ``no-channel``, ``too-few-marks``, ``marks-scatter``, ``marks-missing``,
``marks-between``, ``strokes-alike``, ``height-against-angle``, ``unsure``, ``plug-out-not-seen``."""

NOTES: dict[str, tuple[str, ...]] = {
    "code-agrees": ("codes", "cylinders"),
    "code-hint": ("codes", "coded"),
    "code-random": ("codes",),
    "gauge-used": ("cylinder", "gauge_bar"),
    "channel-anchors": ("cylinder", "gauge_bar"),
    "channel-anchors-position": ("position", "gauge_bar"),
    "sync-confirms": ("count", "kind", "cylinder"),
    "pooled": ("count",),
}
"""What else is worth saying."""

PATTERNS: dict[str, tuple[str, ...]] = dict.fromkeys(
    ("one-dead", "one-low", "neighbours-in-block", "neighbours-in-order", "one-bank", "every-other", "most-low",
     "several-low"),
    ("positions", "cylinders", "lowest_percent", "settle", "not_first"),
)
"""What the low cylinders have in common."""
