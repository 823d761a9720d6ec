"""Questions: recipes, and asking them of a catalogue.

A recipe is one .sql file with a head (see recipe). This folder knows SQL only; a connection to a catalogue
comes from elsewhere.
"""

from .asking import VIEWS, ask, empty_catalogue, run_sql
from .recipe import Column, Param, Recipe, find, load, recipe_paths, recipes
from .statement import RecipeProblem

__all__ = [
    "VIEWS",
    "Column",
    "Param",
    "Recipe",
    "RecipeProblem",
    "ask",
    "empty_catalogue",
    "find",
    "load",
    "recipe_paths",
    "recipes",
    "run_sql",
]
