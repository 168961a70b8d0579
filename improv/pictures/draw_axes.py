"""The look of axes with ticks, shared by the pictures that have them."""

from __future__ import annotations

from matplotlib.axes import Axes

from improv.pictures.look import FONT, GREY, HAIR_PT, INK, LABEL_PT


def plain_axes(axes: Axes) -> None:
    """Open above and to the right, thin lines, legible figures."""
    for side in ("top", "right"):
        axes.spines[side].set_visible(False)
    for side in ("left", "bottom"):
        axes.spines[side].set_color(GREY)
        axes.spines[side].set_linewidth(2 * HAIR_PT)
    axes.tick_params(labelsize=LABEL_PT, color=GREY, labelcolor=INK, width=2 * HAIR_PT, length=3,
                     labelfontfamily=FONT)  # fmt: skip
    for label in (axes.xaxis.label, axes.yaxis.label):
        label.set_fontfamily(FONT)
        label.set_color(INK)
    axes.set_axisbelow(True)
