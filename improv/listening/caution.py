"""What to say wherever sound is made: the usual caution about headphones."""

CAUTION = (
    "Before you put headphones on, turn the volume down; then raise it until the click is just "
    "easy to follow. Loud clicks over a long time can hurt your hearing: take breaks, and if "
    "your ears ring or sound seems dull afterwards and that stays, ask a clinician."
)
