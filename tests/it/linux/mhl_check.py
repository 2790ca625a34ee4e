"""A checker of ASC MHL histories, written from the text of the specification (version 1.0 of 15
March 2022) alone: chain, C4, paths, actions, hashes of files and folders, what is left out.

    mhl_check.py FOLDER...    prints a line for each fault; exits 1 where there is any

`--partial` before the folders: what is missing, or in no list, is no fault.
"""
import fnmatch
import os
import re
import subprocess
import sys
import tempfile
from xml.etree import ElementTree

from mhl import DIGITS, DIR, NS, c4, read

KINDS = ["c4", "md5", "sha1", "xxh128", "xxh3", "xxh64"]
FORM = {"md5": 32, "sha1": 40, "xxh128": 32, "xxh3": 16, "xxh64": 16}
MOMENT = re.compile(r"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d(\.\d+)?(Z|[+-]\d\d:\d\d)")
FLAGS = {"xxh64": "-H1", "xxh128": "-H2", "xxh3": "-H3"}


def hash_all(kind, contents):
    """The hashes of many contents; one call of xxhsum for all of them."""
    import hashlib

    if kind == "c4":
        return [c4(content) for content in contents]
    if kind in ("md5", "sha1"):
        return [hashlib.new(kind, content).hexdigest() for content in contents]
    if not contents:
        return []
    with tempfile.TemporaryDirectory() as folder:
        for number, content in enumerate(contents):
            with open(os.path.join(folder, str(number)), "wb") as file:
                file.write(content)
        names = [str(number) for number in range(len(contents))]
        out = subprocess.run(
            ["xxhsum", FLAGS[kind], *names], cwd=folder, capture_output=True, check=True
        ).stdout.decode()
    found = {}
    for line in out.splitlines():
        tagged = re.fullmatch(r"XXH\w+ \((\d+)\) = ([0-9a-f]+)", line)
        plain = re.fullmatch(r"([0-9a-f]+)  (\d+)", line)
        name, value = tagged.groups() if tagged else plain.groups()[::-1]
        found[name] = value
    return [found[name] for name in names]


def decoded(kind, text):
    if kind != "c4":
        return bytes.fromhex(text)
    number = 0
    for digit in text[2:]:
        number = number * 58 + DIGITS.index(digit)
    return number.to_bytes(64, "big")


def is_form(kind, text):
    if kind == "c4":
        is_text = len(text) == 90 and text[:2] == "c4" and all(d in DIGITS for d in text[2:])
        if not is_text:
            return False
        try:
            decoded("c4", text)
        except OverflowError:
            return False
        return True
    return re.fullmatch(f"[0-9a-f]{{{FORM[kind]}}}", text) is not None


def is_ignored(patterns, path):
    """As .gitignore has it: a name alone anywhere, with a slash from the top; folders with all."""
    parts = path.split("/")
    for depth in range(1, len(parts) + 1):
        upper = "/".join(parts[:depth])
        for pattern in patterns:
            pattern = pattern.rstrip("/")
            plain = re.sub(r"\\(.)", r"[\1]", pattern.lstrip("/"))
            text = upper if "/" in pattern else parts[depth - 1]
            if fnmatch.fnmatchcase(text, plain):
                return True
    return False


class Checker:
    def __init__(self, root):
        self.root, self.faults = root, []
        self.known = {}  # path: {kind: value}, never of what failed
        self.last = {}  # path: the action that was last said
        self.bad = set()  # (kind, value) of what failed in an earlier generation

    def fault(self, text):
        self.faults.append(f"{self.root}: {text}")

    def xml(self, path):
        text = read(path)
        if b"<!DOCTYPE" in text:
            self.fault(f"{path} has a document type")
        try:
            return ElementTree.fromstring(text)
        except ElementTree.ParseError as why:
            self.fault(f"{path}: {why}")
            return None

    def check(self):
        folder = os.path.join(self.root, "ascmhl")
        if not os.path.isfile(os.path.join(folder, "ascmhl_chain.xml")):
            return self.fault("there is no chain")
        chain = self.xml(os.path.join(folder, "ascmhl_chain.xml"))
        if chain is None:
            return None
        if chain.tag != DIR + "ascmhldirectory":
            self.fault("the chain is none")
        names, generations = [], []
        for number, entry in enumerate(chain, 1):
            name, value = entry.findtext(DIR + "path"), entry.findtext(DIR + "c4")
            if entry.get("sequencenr") != str(number):
                self.fault(f"number {entry.get('sequencenr')} stands in the place of {number}")
            names.append(name)
            form = r"(\d{4,})_(.+)_\d{4}-\d\d-\d\d_\d{6}Z\.mhl"
            parts = re.fullmatch(form, name or "")
            if not parts or int(parts[1]) != number or parts[2] != os.path.basename(self.root):
                self.fault(f"{name} is no name of generation {number}")
            path = os.path.join(folder, name or "-")
            if "/" in (name or "") or not os.path.isfile(path):
                self.fault(f"{name} is not there")
                continue
            if c4(read(path)) != value:
                self.fault(f"{name} has another C4 than the chain says")
            generations.append((name, self.xml(path)))
        if len(set(names)) != len(names) or not names:
            self.fault("a list stands in the chain twice, or none does")
        for name in os.listdir(folder):
            if name not in names and name not in ("ascmhl_chain.xml", "README.txt"):
                self.fault(f"{name} is in no chain")
        tree = None
        for name, tree in generations:
            if tree is not None:
                self.generation(name, tree)
        if tree is not None:
            self.drive(tree)
        return None

    def generation(self, name, tree):
        if tree.tag != NS + "hashlist" or tree.get("version") != "2.0":
            self.fault(f"{name} is no list of version 2.0")
        creator, process = tree.find(NS + "creatorinfo"), tree.find(NS + "processinfo")
        if creator is None or process is None:
            return self.fault(f"{name} does not say who made it, and how")
        if not MOMENT.fullmatch(creator.findtext(NS + "creationdate") or ""):
            self.fault(f"{name} has no date with its zone")
        if not creator.findtext(NS + "hostname") or not creator.findtext(NS + "tool"):
            self.fault(f"{name} names no computer or tool")
        if process.findtext(NS + "process") not in ("in-place", "transfer", "flatten"):
            self.fault(f"{name} has an unknown process")
        ignored = self.patterns(tree)
        for pattern in ("ascmhl", ".DS_Store"):
            if pattern not in ignored:
                self.fault(f"{name} does not leave {pattern} out")
        hashes, seen = tree.find(NS + "hashes"), set()
        if tree.find(NS + "references") is None and (hashes is None or not len(hashes)):
            self.fault(f"{name} says nothing")
        failed = set()
        for entry in hashes if hashes is not None else ():
            path = entry.findtext(NS + "path") or ""
            parts = path.split("/")
            if not path or any(part in ("", ".", "..") for part in parts):
                self.fault(f"{name} has the path {path!r}")
            if path in seen:
                self.fault(f"{name} has {path!r} twice")
            seen.add(path)
            if is_ignored(ignored, path):
                self.fault(f"{name} lists {path!r}, which it leaves out")
            if entry.tag == NS + "hash":
                self.file(name, entry, path)
            elif entry.tag == NS + "directoryhash":
                self.folder_form(name, entry, path)
            else:
                self.fault(f"{name} has an unknown element {entry.tag}")
            failed |= {(o.tag[len(NS):], o.text) for o in entry if o.get("action") == "failed"}
        self.bad |= failed
        return None

    def file(self, name, entry, path):
        place = entry.find(NS + "path")
        size = place.get("size") if place is not None else None
        if size is not None and not re.fullmatch(r"\d+", size):
            self.fault(f"{name}: {path!r} has the size {size}")
        date = place.get("lastmodificationdate") if place is not None else None
        if date is not None and not MOMENT.fullmatch(date):
            self.fault(f"{name}: {path!r} has the date {date}")
        previous = entry.findtext(NS + "previousPath")
        if previous is not None:
            self.known[path] = self.known.pop(previous, {})
        tags = [one.tag[len(NS):] for one in entry]
        kinds = [tag for tag in tags if tag not in ("path", "previousPath", "metadata")]
        if not kinds or sorted(kinds) != kinds or any(kind not in KINDS for kind in kinds):
            self.fault(f"{name}: {path!r} has the hashes {kinds}")
        known = dict(self.known.get(path, {}))
        values = {one.tag[len(NS):]: one for one in entry if one.tag[len(NS):] in KINDS}
        common = [kind for kind in values if kind in known]
        is_equal = all(values[kind].text == known[kind] for kind in common)
        for kind, one in values.items():
            if not is_form(kind, one.text or ""):
                self.fault(f"{name}: {path!r} has the {kind} {one.text!r}")
            # What failed once is never good as another file; all that is empty is alike.
            was_bad = size != "0" and any((k, v.text) in self.bad for k, v in values.items())
            expected = "failed" if not known and was_bad else "original" if not known else (
                "verified" if is_equal else "failed"
            )
            if one.get("action") != expected or (known and not common):
                self.fault(f"{name}: {path!r} is {one.get('action')}, should be {expected}")
            if one.get("action") in ("original", "verified"):
                self.known.setdefault(path, {})[kind] = one.text
            self.last[path] = one.get("action")

    def folder_form(self, name, entry, path):
        kinds = []
        for part in ("content", "structure"):
            found = entry.find(NS + part)
            if found is None or not len(found):
                self.fault(f"{name}: the folder {path!r} has no {part}")
                continue
            kinds.append([one.tag[len(NS):] for one in found])
            for one in found:
                if not is_form(one.tag[len(NS):], one.text or ""):
                    self.fault(f"{name}: the folder {path!r} has {one.text!r}")
        if len(kinds) == 2 and kinds[0] != kinds[1]:
            self.fault(f"{name}: the folder {path!r} has content and structure of two kinds")

    def patterns(self, tree):
        return [one.text or "" for one in tree.iter(NS + "pattern")]

    def drive(self, last):
        """Holds what stands in the folder against all generations."""
        ignored, files, folders = self.patterns(last), [], []
        for folder, below, names in os.walk(self.root):
            def path(name):
                return os.path.relpath(os.path.join(folder, name), self.root)
            below[:] = sorted(name for name in below if not is_ignored(ignored, path(name)))
            folders += [path(name) for name in below]
            files += [path(name) for name in names if not is_ignored(ignored, path(name))]
        for missing in set(self.known) - set(files) if not PARTIAL else ():
            self.fault(f"{missing!r} is not there")
        for extra in set(files) - set(self.last) if not PARTIAL else ():
            self.fault(f"{extra!r} is in no generation")
        now = {}
        for entry in last.iter(NS + "hash"):
            place = entry.find(NS + "path")
            now[place.text] = {one.tag[len(NS):]: one.text for one in entry}
            full = os.path.join(self.root, place.text)
            if os.path.isfile(full) and place.get("size") not in (None, str(os.path.getsize(full))):
                self.fault(f"{place.text!r} is not {place.get('size')} bytes long")
        for kind in KINDS:
            said = {path: of[kind] for path, of in self.known.items() if kind in of}
            said = {path: value for path, value in said.items() if self.last[path] != "failed"}
            said.update({path: of[kind] for path, of in now.items() if kind in of})
            there = [path for path in said if path in files]
            contents = [read(os.path.join(self.root, path)) for path in there]
            for path, value in zip(there, hash_all(kind, contents)):
                if said[path] != value:
                    self.fault(f"{path!r} has another {kind} than is said")
        # Of what is malformed no folder's hash can be made.
        if not self.faults:
            self.folders(last, now, folders, files)

    def folders(self, last, now, standing, files):
        """Every folder of which all is listed and good has its hashes, and no other has any."""
        root = last.find(f"{NS}processinfo/{NS}roothash")
        said = {"": root} if root is not None else {}
        for entry in last.iter(NS + "directoryhash"):
            said[entry.findtext(NS + "path")] = entry
        failed = {
            entry.findtext(NS + "path")
            for entry in last.iter(NS + "hash")
            if any(one.get("action") == "failed" for one in entry)
        }
        expected = {}
        for kind in [kind for kind in KINDS if any(kind in of for of in now.values())]:
            good = {path: of for path, of in now.items() if kind in of and path not in failed}
            partial = set()
            for path in set(files) - set(good):
                parts = path.split("/")
                partial |= {"/".join(parts[:depth]) for depth in range(len(parts))}
            for folder, pair in self.folder_sums(kind, good, [*standing, ""]).items():
                if folder not in partial:
                    expected.setdefault(folder, {})[kind] = pair
        for folder in sorted(set(said) | set(expected)):
            entry = said.get(folder)
            found = {} if entry is None else {
                one.tag[len(NS):]: (one.text, entry.findtext(f"{NS}structure/{one.tag}"))
                for one in entry.find(NS + "content")
            }
            if found != expected.get(folder, {}):
                self.fault(f"the folder {folder!r} has {found}, not {expected.get(folder)}")

    def folder_sums(self, kind, now, folders):
        """Appendix G: sorted, decoded, hashed; the structure with each name before its hash."""
        sums, depth = {}, lambda path: path.count("/") + 1 if path else 0
        for level in sorted({depth(folder) for folder in folders}, reverse=True):
            here = [folder for folder in folders if depth(folder) == level]
            named, owners, content = [], [], {folder: [] for folder in here}
            for path, of in now.items():
                folder, _, name = path.rpartition("/")
                if folder in content:
                    content[folder].append(of.get(kind, ""))
                    named.append(name.encode() + decoded(kind, of[kind]))
                    owners.append(folder)
            for path, (own, structure) in sums.items():
                folder, _, name = path.rpartition("/")
                if path and folder in content:
                    content[folder].append(own)
                    named.append(name.encode() + decoded(kind, structure))
                    owners.append(folder)
            structure = {folder: [] for folder in here}
            for folder, value in zip(owners, hash_all(kind, named)):
                structure[folder].append(value)
            def together(of):
                texts = [b"".join(decoded(kind, one) for one in sorted(of[f])) for f in here]
                return hash_all(kind, texts)
            sums.update(zip(here, zip(together(content), together(structure))))
        return sums


if __name__ == "__main__":
    faults = []
    PARTIAL = sys.argv[1] == "--partial"
    for folder in sys.argv[1 + PARTIAL:]:
        checker = Checker(os.path.abspath(folder))
        checker.check()
        faults += checker.faults
    print("\n".join(faults))
    sys.exit(1 if faults else 0)
