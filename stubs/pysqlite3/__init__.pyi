from sqlite3 import *
from sqlite3 import sqlite_version as sqlite_version
from sqlite3 import sqlite_version_info as sqlite_version_info
