"""wallguard checks the walls of 3D-printed parts before they are printed."""

__version__ = "0.1.0"
