"""System files: TOML on disk -> `System`, every fault of a file told at once.

`load_system("plover")` finds a shipped system or the user's own, or reads a path; `read_system(text, path)` reads a text;
the reference of every table and key is `bitting/systemfile/schema.py`.
"""

from bitting.systemfile.build import read_system
from bitting.systemfile.load import known_systems, load_system, shipped_systems, user_folder

__all__ = ["known_systems", "load_system", "read_system", "shipped_systems", "user_folder"]
