"""From a photograph of a drop to its contact angle: outline, face, fit, uncertainty.

Coordinates are pixels, x to the right and y down; pixel (row i, column j) has its middle at
(j + 0.5, i + 0.5).
"""
