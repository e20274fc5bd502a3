"""Saying in a page what the columns of a sheet mean: the person's choices, and the layout that they make.

``drafts``: what was seen of a file (``Sheet``) and chosen so far (``Draft``), with its history, and what a column
can mean (``OPTIONS``). ``choices``: the layout of a draft for layouts.toml (``layout_of``), and the choices that a
guessed layout stands for (``draft_from``). ``problems``: what still has to be said, and the first rows as they
would read. Nothing here reads a record or opens a store.
"""
