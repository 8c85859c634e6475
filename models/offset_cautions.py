"""Cautions that stand before any figure that could make somebody raise boost, and sentences that several answers share."""

from __future__ import annotations

BOOST_CAUTIONS: tuple[str, ...] = (
    "More boost raises cylinder pressure and heat: engines fail, hot and spinning parts and fuel injure people. "
    "Figures describe what others measured; they are no tune, no limit and no promise.",
    "Equal power is not equal stress. Offset boost is arithmetic, not permission to raise boost.",
    "Builds that failed are seldom published: every figure comes from an engine that lived long enough to be printed.",
    "Setting boost, fuel and spark is for a qualified calibrator with proper instruments, on a guarded dyno.",
)

COMPRESSOR_CAUTION = (
    "Within a compressor's rating is not safe: shaft speed, surge and temperature are unknown; altitude or a restricted inlet "
    "spins it faster for the same manifold pressure."
)

FIXED_DRIVE_NOTE = (
    "On a fixed drive ratio boost is a result, not a setting: a part that lets the engine breathe lowers it, and the offset "
    "there needs another drive ratio."
)

BELT_DRIVEN = ("centrifugal", "positive_displacement")
