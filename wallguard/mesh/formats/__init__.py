"""One module a mesh format, named in the table `wallguard.base.formats`.

Each has `read(path, data) -> Drawing`: the path is for messages only, and nothing is opened. It
raises ValueError or InputError that says where the file is wrong, and its time and memory are
bounded by the size of the file.
"""
