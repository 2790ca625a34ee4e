#!/usr/bin/env python3
"""Runs the program against the kernel's own drivers, on USB disks that can be pulled, in an
emulated computer.

machine.py --work DIR --kernel DIR --program FILE

The kernel (an unpacked Debian package) is started by qemu without hardware help, with guest.sh as
its first program and a USB 3 disk for the card and each drive. guest.sh asks for pulls and plugs by
lines that begin with `@`.
Ends with 0 when every check of guest.sh passed.
"""

import argparse
import gzip
import json
import lzma
import os
import pathlib
import re
import shutil
import socket
import subprocess
import sys
import threading
import time

HERE = pathlib.Path(__file__).resolve().parent
MODULES = ("xhci-pci usb-storage sd_mod vfat exfat ext4 ntfs3 "
    "nls_utf8 nls_ascii nls_cp437 nls_iso8859-1").split()
# In MB; the demo needs room on two drives of ext4.
DRIVES = {"vfat": 160, "exfat": 160, "ext4": 800, "ntfs3": 160}
BAD_FILES = 34
LIMIT_S = 1200


def run(*command, **more):
    return subprocess.run([str(c) for c in command], check=True, stdout=subprocess.PIPE, text=True,
        **more).stdout


def make_image(path, megabytes, filesystem, label):
    path.unlink(missing_ok=True)
    with open(path, "wb") as f:
        f.truncate(megabytes * 1_000_000 // 4096 * 4096)
    make = {
        "vfat": ["mkfs.fat", "-F", "32", "-n", label],
        "exfat": ["mkfs.exfat", "-L", label],
        "ext4": ["mkfs.ext4", "-q", "-F", "-L", label],
        "ntfs3": ["mkfs.ntfs", "-q", "-Q", "-F", "-L", label],
    }[filesystem]
    subprocess.run([*make, str(path)], check=True, stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL)


def make_bad_card(path, scratch):
    """A FAT32 card with stills in one folder; returns the sector of the later half of entries."""
    make_image(path, 80, "vfat", "BADCARD")
    scratch.mkdir(exist_ok=True)
    os.environ["MTOOLS_SKIP_CHECK"] = "1"
    run("mmd", "-i", path, "::DCIM", "::DCIM/100KITES")
    for n in range(BAD_FILES):
        still = scratch / f"KITE{n:04}.JPG"
        still.write_bytes(os.urandom(200_000 + n))
        run("mcopy", "-i", path, still, "::DCIM/100KITES/")
    image = path.read_bytes()
    first = image.index(b"KITE0000JPG")
    later = image.index(f"KITE{BAD_FILES - 8:04}JPG".encode())
    assert later // 512 != first // 512, "all entries are in one sector"
    return later // 512


def make_initramfs(work, kernel, version, program):
    top = work / "initramfs"
    shutil.rmtree(top, ignore_errors=True)
    (top / "bin").mkdir(parents=True)
    (top / "modules").mkdir()
    shutil.copy("/usr/bin/busybox" if os.path.exists("/usr/bin/busybox") else "/bin/busybox",
        top / "bin/busybox")
    order, missing = [], []
    for module in MODULES:
        try:
            needed = run("modprobe", "-d", kernel, "-S", version, "--show-depends", module,
                stderr=subprocess.DEVNULL)
        except subprocess.CalledProcessError:
            missing.append(module)
            continue
        for line in needed.splitlines():
            if not line.startswith("insmod "):
                continue  # built in
            source = pathlib.Path(line.split()[1])
            name = source.name.removesuffix(".xz")
            if name not in order:
                raw = source.read_bytes()
                module_bytes = lzma.decompress(raw) if source.suffix == ".xz" else raw
                (top / "modules" / name).write_bytes(module_bytes)
                order.append(name)
    (top / "modules/order").write_text("\n".join(order) + "\n")
    # Busybox's own setpriv cannot become another user.
    for source, name in [(program, "unlade"), (shutil.which("setpriv"), "setpriv-of-host")]:
        shutil.copy(source, top / "bin" / name)
        for library in re.findall(r"(/\S+)", run("ldd", source)):
            at = top / library.lstrip("/")
            at.parent.mkdir(parents=True, exist_ok=True)
            shutil.copy(os.path.realpath(library), at)
    filesystems = [fs for fs in DRIVES if fs not in missing]
    script = (HERE / "guest.sh").read_text()
    head, rest = script.split("\n", 1)
    init = top / "init"
    init.write_text(f'{head}\nFILESYSTEMS="{" ".join(filesystems)}"\nBAD_FILES={BAD_FILES}\n{rest}')
    init.chmod(0o755)
    names = run("find", ".", cwd=top)
    packed = subprocess.run(["cpio", "-o", "-H", "newc", "--quiet"], cwd=top, input=names.encode(),
        stdout=subprocess.PIPE, check=True).stdout
    (work / "initramfs.gz").write_bytes(gzip.compress(packed, 1))
    return filesystems


class Emulator:
    """qemu and its control socket."""

    def __init__(self, work, kernel, version, disks, bad_sector):
        self.disks, self.lock, self.wire, self.at = disks, threading.Lock(), None, work / "control"
        self.pulls = 0
        self.at.unlink(missing_ok=True)
        args = []
        for port, (name, image) in enumerate(disks.items(), 1):
            node = {"driver": "file", "node-name": f"file-{name}", "filename": str(image)}
            args += ["-blockdev", json.dumps(node)]
            below = f"file-{name}"
            if name == "bad":
                rule = {"event": "none", "iotype": "read", "errno": 5, "sector": bad_sector,
                    "once": False}
                node = {"driver": "blkdebug", "node-name": "broken", "image": below,
                    "inject-error": [rule]}
                args += ["-blockdev", json.dumps(node)]
                below = "broken"
            args += ["-blockdev", json.dumps({"driver": "raw", "node-name": f"raw-{name}",
                "file": below})]
            args += ["-device", json.dumps(self.device(name))]
        command = ["qemu-system-x86_64", "-accel", "tcg,thread=multi", "-cpu", "max", "-smp", "2",
                   "-m", "1536", "-nodefaults", "-no-user-config", "-nographic", "-serial", "stdio",
                   "-no-reboot",
                   "-kernel", str(kernel / f"boot/vmlinuz-{version}"),
                   "-initrd", str(work / "initramfs.gz"),
                   "-append", "console=ttyS0 loglevel=1 panic=-1 rdinit=/init",
                   "-qmp", f"unix:{self.at},server=on,wait=off",
                   "-device", "qemu-xhci,id=xhci,p2=8,p3=8", *args]
        self.process = subprocess.Popen(command, stdin=subprocess.DEVNULL, stdout=subprocess.PIPE,
            stderr=subprocess.STDOUT)

    def device(self, name):
        port = list(self.disks).index(name) + 1
        removable = name in ("card", "bad")
        return {"driver": "usb-storage", "id": name, "drive": f"raw-{name}", "serial": name,
            "removable": removable,
                "bus": "xhci.0", "port": str(port)}

    def ask(self, command, **arguments):
        with self.lock:
            if self.wire is None:
                wire = socket.socket(socket.AF_UNIX)
                wire.connect(str(self.at))
                self.wire = wire.makefile("rw")
                self.wire.readline()
                self.send("qmp_capabilities", {})
            return self.send(command, arguments)

    def send(self, command, arguments):
        self.wire.write(json.dumps({"execute": command, "arguments": arguments}) + "\n")
        self.wire.flush()
        while True:
            answer = json.loads(self.wire.readline())
            if "return" in answer or "error" in answer:  # other lines are events
                return answer

    def written(self, name):
        for device in self.ask("query-blockstats").get("return", []):
            if f"/{name}/" in f"/{device.get('qdev', '')}/":
                return device["stats"]["wr_bytes"]
        return 0

    def order(self, words):
        match words:
            case ["pull", name]:
                self.pulls += 1
                self.ask("device_del", id=name)
            case ["plug", name]:
                # The device that was pulled may still be on its way out.
                for _ in range(50):
                    if "error" not in self.ask("device_add", **self.device(name)):
                        return
                    time.sleep(0.1)
                print(f"machine: {name} could not be plugged in", flush=True)
            case ["mend", name]:
                # What a person does who was told to have the file system checked; the drive is
                # unplugged.
                subprocess.run(["fsck.fat", "-a", "-w", str(self.disks[name])],
                    stdout=subprocess.DEVNULL, check=False)
                print(f"machine: {name} was checked", flush=True)
            case ["at", name, more, *then]:
                threading.Thread(target=self.later, args=(name, int(more), then),
                    daemon=True).start()
            case _:
                print(f"machine: unknown order {words}", flush=True)

    def later(self, name, more, then):
        # Whoever is pulled first, this order is about what goes on now.
        begin, pulls = self.written(name), self.pulls
        end = time.monotonic() + 600
        try:
            while time.monotonic() < end and self.pulls == pulls:
                if self.written(name) >= begin + more:
                    return self.order(then)
                time.sleep(0.01)
        except (OSError, ValueError):
            pass  # the emulator has ended meanwhile


def main():
    parser = argparse.ArgumentParser(description=__doc__,
        formatter_class=argparse.RawDescriptionHelpFormatter)
    for name in ("--work", "--kernel", "--program"):
        parser.add_argument(name, required=True, type=pathlib.Path)
    given = parser.parse_args()
    work, kernel = given.work.resolve(), given.kernel.resolve()
    work.mkdir(parents=True, exist_ok=True)
    version = sorted(p.name for p in (kernel / "lib/modules").iterdir())[-1]
    run("depmod", "-b", kernel, version)
    filesystems = make_initramfs(work, kernel, version, given.program)
    disks = {"card": work / "card.img", "a": work / "a.img", "bad": work / "bad.img"}
    make_image(disks["card"], 60, "exfat", "KITES")
    make_image(disks["a"], 800, "ext4", "DRIVE-A")
    bad_sector = make_bad_card(disks["bad"], work / "stills")
    for fs in filesystems:
        disks[f"b-{fs}"] = work / f"b-{fs}.img"
        make_image(disks[f"b-{fs}"], DRIVES[fs], fs, "DRIVE-B")
    print(f"machine: kernel {version}, drives on {' '.join(filesystems)}", flush=True)
    emulator = Emulator(work, kernel, version, disks, bad_sector)
    timer = threading.Timer(LIMIT_S, emulator.process.kill)
    timer.daemon = True
    timer.start()
    begun, passed, failed, done = time.monotonic(), 0, 0, False
    for line in emulator.process.stdout:
        line = line.decode("utf8", "replace").rstrip()
        print(f"{time.monotonic() - begun:6.1f} {line}", flush=True)
        if line.startswith("@"):
            emulator.order(line[1:].split())
        passed += line.startswith("ok ")
        failed += line.startswith("failed ")
        done = done or line == "guest: done"
    emulator.process.wait()
    timer.cancel()
    lacking = [fs for fs in DRIVES if fs not in filesystems]
    if lacking:
        print(f"SKIPPED, NOT CHECKED: this kernel has no driver for {' '.join(lacking)}")
    if not done:
        print("machine: it did not come to its end")
    print(f"{passed} passed, {failed} failed")
    sys.exit(0 if done and passed and not failed else 1)


main()
