"""How each act of care is done and what to mind, for page and command line (common practice, no source)."""

from __future__ import annotations

from collections.abc import Mapping

from monitor import cautions
from monitor.records import LogKind

HINTS: Mapping[str, str] = {
    LogKind.HYDROMETER: (
        "Read the cells before you add water, the bank at rest. Draw and empty the hydrometer a few times"
        " before you read it. Leave a cell empty that you did not read."
    ),
    LogKind.WATER: "Distilled water only, after charging, to the mark in the cell.",
    LogKind.EQUALIZATION: "Only where your maker's sheet asks for it, at the voltage and time it gives.",
    LogKind.TERMINALS: "Torque, corrosion, warm spots, worn insulation.",
    LogKind.CLEANING: "Cold panels in the morning, water and a soft cloth.",
}

MIND: Mapping[str, tuple[str, ...]] = {
    LogKind.HYDROMETER: (cautions.ACID_AND_HYDROGEN,),
    LogKind.WATER: (cautions.ACID_AND_HYDROGEN,),
    LogKind.EQUALIZATION: (cautions.ACID_AND_HYDROGEN,),
    LogKind.TERMINALS: (cautions.ORDER, cautions.SHORT_CIRCUIT),
    LogKind.CLEANING: (cautions.ARRAY_LIVE,),
}
