"""A maker and a checker of ASC MHL histories, written from the text of the specification (version
1.0 of 15 March 2022) alone: hashes, C4, chain, generations, references to histories below.

    mhl.py make FOLDER FORMAT...    the first or the next generation
    mhl.py store FOLDER FILE        this file as the next generation
"""
import hashlib
import os
import re
import subprocess
import sys
from xml.etree import ElementTree
from xml.sax.saxutils import escape

DIGITS = "123456789ABCDEFGHJKLMNPQRSTUVWXYZabcdefghijkmnopqrstuvwxyz"
NS = "{urn:ASC:MHL:v2.0}"
DIR = "{urn:ASC:MHL:DIRECTORY:v2.0}"


def c4(content):
    number = int.from_bytes(hashlib.sha512(content).digest(), "big")
    text = ""
    while number:
        number, digit = divmod(number, 58)
        text = DIGITS[digit] + text
    return "c4" + text.rjust(88, "1")


def hashed(content, kind):
    if kind == "c4":
        return c4(content)
    if kind in ("md5", "sha1"):
        return hashlib.new(kind, content).hexdigest()
    flag = {"xxh64": "-H1", "xxh128": "-H2", "xxh3": "-H3"}[kind]
    out = subprocess.run(
        ["xxhsum", flag, "-"], input=content, capture_output=True, check=True
    ).stdout.decode()
    # `XXH3 (stdin) = hex` or `hex  stdin`.
    return re.search(r"\b[0-9a-f]{16}(?:[0-9a-f]{16})?\b", out)[0]


def read(path):
    with open(path, "rb") as file:
        return file.read()


def files_of(root):
    """Its files and the folders below that have a history of their own."""
    files, below = [], []
    for folder, folders, names in os.walk(root):
        folders.sort()
        if "ascmhl" in folders:
            folders.remove("ascmhl")
        for name in list(folders):
            if os.path.isdir(os.path.join(folder, name, "ascmhl")):
                below.append(os.path.relpath(os.path.join(folder, name), root))
                folders.remove(name)
        for name in sorted(names):
            if name != ".DS_Store":
                files.append(os.path.relpath(os.path.join(folder, name), root))
    return files, below


def chain_of(root):
    path = os.path.join(root, "ascmhl", "ascmhl_chain.xml")
    if not os.path.exists(path):
        return []
    entries = ElementTree.parse(path).getroot().findall(DIR + "hashlist")
    return [(e.find(DIR + "path").text, e.find(DIR + "c4").text) for e in entries]


def known_hashes(root):
    known = {}
    for name, _ in chain_of(root):
        tree = ElementTree.parse(os.path.join(root, "ascmhl", name)).getroot()
        for entry in tree.iter(NS + "hash"):
            path = entry.find(NS + "path").text
            for one in entry:
                if one.get("action") in ("original", "verified"):
                    known.setdefault(path, {})[one.tag[len(NS):]] = one.text
    return known


def make(root, kinds):
    files, below = files_of(root)
    known = known_hashes(root)
    rows = []
    for path in files:
        content = read(os.path.join(root, path))
        before = known.get(path, {})
        failed = any(hashed(content, kind) != value for kind, value in before.items())
        action = "failed" if failed else "verified" if before else "original"
        rows.append(f'<hash><path size="{len(content)}">{escape(path)}</path>')
        for kind in sorted(kinds):
            rows.append(f'<{kind} action="{action}">{hashed(content, kind)}</{kind}>')
        rows.append("</hash>")
    references = ""
    for folder in below:
        name, value = chain_of(os.path.join(root, folder))[-1]
        references += (
            f"<hashlistreference><path>{escape(folder)}/ascmhl/{escape(name)}</path>"
            f"<c4>{value}</c4></hashlistreference>"
        )
    if references:
        references = f"<references>{references}</references>"
    hashes = f"<hashes>{''.join(rows)}</hashes>" if rows else ""
    text = (
        '<?xml version="1.0" encoding="UTF-8"?>\n'
        '<hashlist version="2.0" xmlns="urn:ASC:MHL:v2.0"><creatorinfo>'
        "<creationdate>2026-11-29T10:00:00Z</creationdate><hostname>kite</hostname>"
        '<tool version="1">by hand</tool></creatorinfo><processinfo><process>in-place</process>'
        "<ignore><pattern>.DS_Store</pattern><pattern>ascmhl</pattern></ignore></processinfo>"
        f"{hashes}{references}</hashlist>"
    ).encode()
    store(root, text)


def store(root, text):
    chain = chain_of(root)
    os.makedirs(os.path.join(root, "ascmhl"), exist_ok=True)
    number = len(chain) + 1
    name = f"{number:04}_{os.path.basename(root)}_2026-11-29_100000Z.mhl"
    with open(os.path.join(root, "ascmhl", name), "wb") as file:
        file.write(text)
    chain.append((name, c4(text)))
    entries = "".join(
        f'<hashlist sequencenr="{n}"><path>{escape(path)}</path><c4>{value}</c4></hashlist>'
        for n, (path, value) in enumerate(chain, 1)
    )
    with open(os.path.join(root, "ascmhl", "ascmhl_chain.xml"), "w", encoding="utf-8") as file:
        file.write(
            '<?xml version="1.0" encoding="UTF-8"?>\n'
            f'<ascmhldirectory xmlns="urn:ASC:MHL:DIRECTORY:v2.0">{entries}</ascmhldirectory>'
        )


if __name__ == "__main__":
    if sys.argv[1] == "make":
        make(sys.argv[2], sys.argv[3:])
    elif sys.argv[1] == "store":
        store(sys.argv[2], read(sys.argv[3]))
    else:
        sys.exit(__doc__)
