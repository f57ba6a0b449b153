"""
Invented grinding runs with known truth, for demos and for scoring decisions.

``scenes`` writes sample runs; ``score`` compares policies on the named processes of ``settings``,
``unseen`` on processes of another make; ``forecasts`` holds "parts left" against the future.
"""
