"""Damages an ASC MHL history, each time in one listed way, for the checkers to find.

    mhl_damage.py list              the names of all kinds
    mhl_damage.py KIND FOLDER       damages the history of the folder so
"""
import os
import re
import sys

from mhl import c4, read


def swapped(pattern, new, count=1):
    def change(text):
        changed = re.sub(pattern, new, text, count=count, flags=re.S)
        assert changed != text, pattern
        return changed
    return change


def other_digit(found):
    return found[1] + ("0" if found[2] != "0" else "1")


FILE = r"<hash>.*?</hash>\n"
# In the list, which the chain then fits again.
IN_LIST = {
    "format version": swapped('version="2.0" xmlns', 'version="1.0" xmlns'),
    "date without a zone": swapped("Z</creationdate>", "</creationdate>"),
    "no date": swapped("<creationdate>.*?</creationdate>", ""),
    "no computer": swapped("<hostname>.*?</hostname>", "<hostname></hostname>"),
    "no tool": swapped("<tool .*?</tool>", '<tool version="1"></tool>'),
    "unknown process": swapped("<process>.*?</process>", "<process>copy</process>"),
    "own folder not left out": swapped("<pattern>ascmhl</pattern>", ""),
    "no hash": swapped("<xxh128 action.*?</xxh128>", ""),
    "no action": swapped(' action="original"', ""),
    "unknown action": swapped('action="original"', 'action="checked"'),
    "verified at first": swapped('action="original"', 'action="verified"'),
    "failed at first": swapped('action="original"', 'action="failed"'),
    "hash too short": swapped(r'(<xxh128 action="original">.*?)[0-9a-f]</xxh128>', r"\1</xxh128>"),
    "hash in capitals": swapped(
        r'(<xxh128 action="original">)(\w+)', lambda f: f[1] + f[2].upper()
    ),
    "another hash": swapped(r'(<xxh128 action="original">)(\w)', other_digit),
    "hash of an unknown kind": swapped("xxh128 action(.*?)/xxh128", r"blake3 action\1/blake3"),
    "absolute path": swapped(r'(<path size="\d+"[^>]*>)', r"\1/"),
    "path with ..": swapped(r'(<path size="\d+"[^>]*>)', r"\1DCIM/../"),
    "a path twice": swapped(f"({FILE})", r"\1\1"),
    "a file less": swapped(FILE, ""),
    "negative size": swapped(r'size="\d+"', 'size="-1"'),
    "another size": swapped(r'size="(\d+)"', r'size="1\1"'),
    "another root": swapped(r"(<roothash>.*?<xxh128>)(\w)", other_digit),
    "another content": swapped(r"(<directoryhash>.*?<content>.*?<xxh128>)(\w)", other_digit),
    "another structure": swapped(r"(<directoryhash>.*?<structure>.*?<xxh128>)(\w)", other_digit),
    "a folder less": swapped(r"<directoryhash>.*?</directoryhash>\n", ""),
    "folder hashes of two kinds": swapped(
        r"(<directoryhash>.*?<structure>.*?)xxh128(.*?)xxh128", r"\1md5\2md5"
    ),
    "says nothing": swapped("<hashes>.*</hashes>", ""),
    "a document type": swapped("<hashlist ", "<!DOCTYPE hashlist><hashlist "),
    "ends early": swapped("</hashlist>", ""),
}
IN_CHAIN = {
    "chain without numbers": swapped(' sequencenr="1"', ""),
    "chain with a gap": swapped('sequencenr="1"', 'sequencenr="2"'),
    "chain with another hash": swapped(r"(<c4>c4.{20})(.)", lambda f: f[1] + "1a"[f[2] == "1"]),
    "chain leads out": swapped("<path>", "<path>../"),
    "a list twice": swapped(r"(<hashlist .*</hashlist>\n)", r"\1\1"),
    "chain of nothing": swapped(r"<hashlist .*</hashlist>\n", ""),
}


def gone(path):
    os.rename(path, path + ".away")
    # Out of the folder, so that it is no stray of it.
    os.rename(path + ".away", os.path.join(os.path.dirname(path), "..", "..", "away"))


def flipped(path):
    content = bytearray(read(path))
    content[len(content) // 2] ^= 4
    with open(path, "wb") as file:
        file.write(content)


def put(path):
    with open(path, "wb") as file:
        file.write(b"kites")


OF_FILES = {
    "no chain": lambda root, lists: gone(os.path.join(root, "ascmhl", "ascmhl_chain.xml")),
    "a list is gone": lambda root, lists: gone(lists[0]),
    "a list was changed": lambda root, lists: flipped(lists[0]),
    "a list that no chain names": lambda root, lists: put(lists[0].replace("/0001", "/0009")),
    "a file beside the lists": lambda root, lists: put(os.path.join(root, "ascmhl", "x")),
    "a file was changed": lambda root, lists: flipped(os.path.join(root, "PRIVATE/CLIPS/.index")),
    "a file that no list names": lambda root, lists: put(os.path.join(root, "DCIM", "NEW")),
}


def write(path, text):
    with open(path, "w", encoding="utf-8", newline="") as file:
        file.write(text)


def damage(kind, root):
    folder = os.path.join(root, "ascmhl")
    chain = os.path.join(folder, "ascmhl_chain.xml")
    lists = sorted(os.path.join(folder, name) for name in os.listdir(folder) if ".mhl" in name)
    if kind in OF_FILES:
        OF_FILES[kind](root, lists)
    elif kind in IN_CHAIN:
        write(chain, IN_CHAIN[kind](read(chain).decode()))
    else:
        write(lists[0], IN_LIST[kind](read(lists[0]).decode()))
        fitting = swapped("<c4>.*?</c4>", f"<c4>{c4(read(lists[0]))}</c4>")
        write(chain, fitting(read(chain).decode()))


if __name__ == "__main__":
    if sys.argv[1] == "list":
        print("\n".join([*IN_LIST, *IN_CHAIN, *OF_FILES]))
    else:
        damage(sys.argv[1], sys.argv[2])
