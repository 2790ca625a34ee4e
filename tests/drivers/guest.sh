#!/bin/busybox sh
# Runs in the emulated computer, as its first program. Copies a card onto drives of each file system,
# pulls a drive, plugs it in again and looks at what it holds. Orders to the emulator are lines that begin with
# `@`; results are lines that begin with `ok` or `failed`. machine.py reads both.
export PATH=/bin:/usr/bin HOME=/tmp/home LC_ALL=C.UTF-8 TERM=dumb
/bin/busybox mkdir -p /proc /sys /dev /tmp /usr/bin
/bin/busybox --install -s /bin
mount -t proc proc /proc
mount -t sysfs sys /sys
mount -t devtmpfs dev /dev
mount -t tmpfs tmp /tmp
# What the firmware printed last has no end of line.
echo
mkdir -p /tmp/home /dev/disk/by-label /media
chmod 777 /tmp /tmp/home
for module in $(cat /modules/order); do
    insmod "/modules/$module" || echo "guest: $module was not loaded"
done

# The kernel's name of the disk with this serial number; waits up to 15 s.
disk() {
    for _ in $(seq 75); do
        for block in /sys/block/sd*; do
            [ -e "$block/device" ] || continue
            usb=$(readlink -f "$block/device" | sed 's#/host[0-9]*/.*##; s#/[^/]*$##')
            [ "$(cat "$usb/serial" 2>/dev/null)" = "$1" ] && [ -b "/dev/${block##*/}" ] &&
                echo "${block##*/}" && return 0
        done
        sleep 0.2
    done
    return 1
}

is_plugged() { # without waiting
    for block in /sys/block/sd*; do
        usb=$(readlink -f "$block/device" | sed 's#/host[0-9]*/.*##; s#/[^/]*$##')
        [ "$(cat "$usb/serial" 2>/dev/null)" = "$1" ] && return 0
    done
    return 1
}

# There is no udev here: the link by which a volume's label is known is made as udev makes it. In the place of the label it has the name of
# the disk in capitals.
link_label() { # link_label NAME NODE
    ln -sf "../../$2" "/dev/disk/by-label/$(echo "$1" | tr a-z A-Z)"
}

# attach NAME FILESYSTEM [OPTIONS]: mounts as a desktop does for its user.
attach() {
    local node options=nosuid,nodev,relatime${3:+,$3}
    case $2 in
        exfat) options=$options,uid=1000,gid=1000,fmask=0022,dmask=0022,iocharset=utf8,errors=remount-ro ;;
        vfat) options=$options,uid=1000,gid=1000,fmask=0022,dmask=0022,codepage=437,iocharset=iso8859-1,shortname=mixed,utf8,flush,errors=remount-ro ;;
        ntfs3) options=$options,uid=1000,gid=1000,windows_names,iocharset=utf8 ;;
        ext4) options=$options,errors=remount-ro ;;
    esac
    node=$(disk "$1") || { echo "guest: no disk $1"; return 1; }
    link_label "$1" "$node"
    mkdir -p "/media/$1"
    mount -t "$2" -o "$options" "/dev/$node" "/media/$1" || { dmesg | tail -5; return 1; }
    [ "$2" != ext4 ] || chown 1000:1000 "/media/$1"
}

# unlade as a desktop's user, who may not open a device.
unlade() { timeout 600 /bin/setpriv-of-host --reuid 1000 --regid 1000 --clear-groups /bin/unlade "$@"; }

result() { # result NAME CONDITION-RESULT [FILE]
    if [ "$2" = 0 ]; then
        echo "ok $1"
    else
        echo "failed $1"
        [ -z "$3" ] || tail -40 "$3"
        dmesg | tail -8
    fi
}

# One hash over names and bytes of a tree, without the records.
tree() { (cd "$1" && find . -name _unlade -prune -o -type f -print | sort | xargs sha256sum | sha256sum); }

pull() {
    echo "@pull $1"
    for _ in $(seq 100); do is_plugged "$1" || break; sleep 0.1; done
    ! is_plugged "$1" || echo "failed $1 could not be pulled"
    umount -l "/media/$1"
    sleep 0.3
}
plug() { # plug NAME FILESYSTEM
    echo "@plug $1"
    case $2 in
        # A volume that was pulled is marked; `force` mounts it for this look only.
        ntfs3) attach "$1" "$2" force ;;
        *) attach "$1" "$2" ;;
    esac
}

copy() { # copy NAME: to drive A and drive $b
    unlade copy /media/card --to /media/a --to "/media/$b" --name "$1" >/tmp/log 2>&1
}

# copy_checked NAME [BYTES]: copies; sets `code`. With BYTES the drive is pulled when so many more have been written to it.
copy_checked() {
    [ -z "$2" ] || echo "@at $b $2 pull $b"
    copy "$1"
    code=$?
    # FAT that was pulled several times may be so damaged that the kernel lets nothing more be written to it. Then the person is told to
    # have it checked, and the same command is to go on after that.
    if [ "$fs" = vfat ] && [ "$code" != 0 ] && is_plugged "$b" && grep -q 'file system checked' /tmp/log; then
        echo "guest: exit $code, the file system is to be checked, which is done"
        dmesg | grep FAT-fs | tail -3
        pull "$b"
        echo "@mend $b"
        plug "$b" "$fs"
        [ -z "$2" ] || echo "@at $b $2 pull $b"
        copy "$1"
        code=$?
    fi
    # On a machine 20 times slower exFAT (6.12) once delivered other bytes than were written, right after a pull; that was found, and the
    # person is told to run the same command again.
    if [ -z "$2" ] && [ "$code" = 1 ] && grep -q 'Problem (mismatch)' /tmp/log && grep -q 'Run the same command again' /tmp/log; then
        grep -A 2 'Problem (mismatch)' /tmp/log
        copy "$1"
        code=$?
    fi
}

# copy_and_pull NAME WHAT: the command ends PROVEN, and a pull right then leaves the whole card.
copy_and_pull() {
    copy_checked "$1"
    [ "$code" = 0 ] || dmesg | tail -8
    # Nothing between the exit code and the pull.
    pull "$b"
    [ "$code" = 0 ]
    result "$fs: $2 is PROVEN" $? /tmp/log
    plug "$b" "$fs"
    is_whole "$b" "$1"
    result "$fs: $2, pulled right after PROVEN, is whole on the drive" $? /tmp/log
    is_whole a "$1"
    result "$fs: $2 is whole on drive A" $? /tmp/log
    rm -rf "/media/a/$1"
}

# pull_in_the_middle NAME BYTES: when so many more bytes have been written to the drive.
pull_in_the_middle() {
    copy_checked "$1" "$2"
    is_plugged "$b"
    result "$fs: is gone after $2 bytes" "$((! $?))" /tmp/log
    [ "$code" = 1 ] && grep -q 'NOT PROVEN' /tmp/log
    result "$fs: pulled after $2 bytes, a copy is NOT PROVEN" $? /tmp/log
    sed -n '/^Reason/,$p' /tmp/log
    umount -l "/media/$b"
}

# An NTFS volume that was pulled while it was written: the person is sent to Windows, and nothing is mended here.
ask_of_dirty_ntfs() {
    echo "@plug $b"
    # The driver refuses a volume that is marked as in use. Whether that mark had reached the drive before the pull is the kernel's to
    # say: without it the volume is mounted, and a copy may be called PROVEN only where it is whole.
    if attach "$b" ntfs3; then
        echo "guest: the mark of a volume in use had not reached the drive"
        copy "$1"
        [ $? != 0 ] || is_whole "$b" "$1"
    else
        true
    fi
    result "$fs: pulled in the middle, it is not mounted for writing, or what is proven is whole" $?
    umount "/media/$b" 2>/dev/null
    copy "$1"
    [ $? = 3 ] && grep -q chkdsk /tmp/log
    result "$fs: not mounted, a copy is refused and Windows is named" $? /tmp/log
    cat /tmp/log
    attach "$b" ntfs3 ro
    result "$fs: it is mounted for reading" $?
    copy "$1"
    # What it lists may be damaged, which is told first.
    [ $? = 3 ] && grep -q chkdsk /tmp/log
    result "$fs: mounted for reading, a copy is refused and Windows is named" $? /tmp/log
    cat /tmp/log
    umount "/media/$b"
    rm -rf "/media/a/$1"
}

# What is on the drive now is what was on the card, in names and bytes, and by our own later check.
is_whole() {
    [ "$(tree "/media/$1/$2")" = "$card" ] && unlade verify "/media/$1/$2" >>/tmp/log 2>&1
}

[ "$(disk card)" ] && [ "$(disk a)" ] || { echo "failed the disks are there"; poweroff -f; }

# The card: forty stills, two clips, and notes that NTFS would keep within its own records.
attach card exfat
mkdir -p /media/card/DCIM/100KITES /media/card/DCIM/101KITES
for n in $(seq 40); do
    head -c "$((n * 3000 + 17))" /dev/urandom >"/media/card/DCIM/100KITES/KITE$((1000 + n)).JPG"
done
for n in 1 2 3; do
    head -c "$((n * 200))" /dev/urandom >"/media/card/DCIM/100KITES/KITE$((1000 + n)).XMP"
done
head -c 9000000 /dev/urandom >/media/card/DCIM/101KITES/CLIP0001.MOV
head -c 7000001 /dev/urandom >/media/card/DCIM/101KITES/CLIP0002.MOV
umount /media/card
attach card exfat ro
card=$(tree /media/card)
attach a ext4

# The demo makes its card on the disk with the person's home, and takes another one for the second copy.
attach b-ext4 ext4
(cd /tmp && TMPDIR=/media/a HOME=/media/b-ext4 timeout 600 /bin/setpriv-of-host --reuid 1000 --regid 1000 --clear-groups \
    /bin/unlade demo >/tmp/log 2>&1)
[ $? = 0 ] && grep -q 'copy KITES --to drive-a --to /media/a/unlade-demo-' /tmp/log &&
    grep -q 'PROVEN. You may format KITES: in the camera' /tmp/log
result "demo: on two disks a card is PROVEN on both" $? /tmp/log
[ -z "$(find /media/a /media/b-ext4 -name 'unlade-demo-*')" ]
result "demo: it leaves nothing" $?

# A drive is called by its label on the screen, and where its path does not end in it, in the manifest.
unlade copy /media/card --to /media/a --to /media/b-ext4 --name NAMED -q >/tmp/log 2>&1 && unlade verify /media/a/NAMED >>/tmp/log 2>&1 &&
    unlade prove /media/card --on /media/a --on /media/b-ext4 >>/tmp/log 2>&1
[ $? = 0 ] && grep -q '^  A  *45 files checked' /tmp/log && grep -q '^  B-EXT4  *45 files checked' /tmp/log &&
    grep -q 'INTACT. NAMED on A is what its manifest says' /tmp/log && grep -q '^  NAMED on B-EXT4  *45 of 45' /tmp/log &&
    grep -q '"path":"/media/a","name":"A"' /media/a/NAMED/_unlade/manifest.json && grep -q '<h3><bdi>B-EXT4' /media/b-ext4/NAMED/_unlade/report.html
result "drives are called by their labels" $? /tmp/log
rm -rf /media/a/NAMED
umount /media/b-ext4

for fs in $FILESYSTEMS; do
    b=b-$fs
    attach "$b" "$fs" || { result "$fs: mounts" 1; continue; }
    copy_and_pull "ONE-$fs" "a copy"
    # On FAT, where names and sizes are written apart, at several moments of one copy.
    moments=6000000
    [ "$fs" != vfat ] || moments="400000 1500000 6000000"
    for bytes in $moments; do
        pull_in_the_middle "TWO-$fs" "$bytes"
        [ "$fs" != ntfs3 ] || continue
        plug "$b" "$fs"
        echo "guest: $(find "/media/$b" -path '*/_unlade' -prune -o -type f -size 0 ! -name '.*.unlade-part' -print | wc -l) empty files, $(find "/media/$b" -name '.*.unlade-part' | wc -l) parts"
    done
    if [ "$fs" = ntfs3 ]; then
        ask_of_dirty_ntfs "TWO-$fs"
    else
        copy_and_pull "TWO-$fs" "the same command again"
        umount "/media/$b"
    fi
done

# A card with one sector of a folder that cannot be read. The kernel leaves its entries out and reports no error.
attach bad vfat ro
listed=$(find /media/bad -type f 2>/dev/null | wc -l)
attach b-exfat exfat
echo "guest: $listed of $BAD_FILES files of the bad card are listed"
unlade copy /media/bad --to /media/a --to /media/b-exfat --name BAD >/tmp/log 2>&1
code=$?
[ "$listed" -lt "$BAD_FILES" ]
result "FAT32 card with an unreadable sector in a folder: $listed of $BAD_FILES files are listed" $? /tmp/log
[ "$code" = 1 ] && grep -q 'NOT PROVEN' /tmp/log
result "FAT32 card with an unreadable sector in a folder: copy says NOT PROVEN" $? /tmp/log
unlade prove /media/bad --on /media/a --on /media/b-exfat --reread >/tmp/log 2>&1
[ $? = 1 ] && grep -q 'NOT PROVEN' /tmp/log
result "FAT32 card with an unreadable sector in a folder: prove says NOT PROVEN" $? /tmp/log

echo "guest: done"
poweroff -f
