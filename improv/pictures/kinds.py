"""The kinds of picture there are, and what each shows in a few words."""

from __future__ import annotations

KINDS: dict[str, str] = {
    "chart": "the take laid out like a lead sheet",
    "beat": "where in the beat the notes fall",
    "tempo": "how time moves against the backing",
    "spread": "how far the notes scatter, by subdivision and tempo",
}
