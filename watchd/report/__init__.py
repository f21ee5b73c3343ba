"""The report: what the store keeps of a season -> what is said and what is drawn, as one page.

season (what is read), series (one file a drawing: its numbers, its sentence, its table), findings
(what is well and what is not), words, page. Only `drawings` needs matplotlib.
"""
