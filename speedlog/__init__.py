"""speedlog: how fast did it really go, and how surely?"""

__version__ = "0.1.0"
