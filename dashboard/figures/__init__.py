"""One figure a module: records in, a plotly figure out. Colours are the stylesheet's business."""
