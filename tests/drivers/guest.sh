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
mkdir -p /tmp/home /dev/disk/by-uuid /dev/disk/by-label /media
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

# There is no udev here: the links by which a volume is told from another are made as udev makes them.
link_volumes() {
    rm -f /dev/disk/by-uuid/* /dev/disk/by-label/*
    for block in /sys/block/sd*; do
        local node=/dev/${block##*/} line uuid label
        line=$(blkid "$node" 2>/dev/null) || continue
        uuid=$(echo "$line" | sed -n 's/.*UUID="\([^"]*\)".*/\1/p')
        label=$(echo "$line" | sed -n 's/.*LABEL="\([^"]*\)".*/\1/p')
        [ -n "$uuid" ] && ln -sf "$node" "/dev/disk/by-uuid/$uuid"
        [ -n "$label" ] && ln -sf "$node" "/dev/disk/by-label/$label"
    done
}

# attach NAME FILESYSTEM [OPTIONS]: mounts as a desktop does for its user.
attach() {
    local node options=nosuid,nodev,relatime${3:+,$3}
    case $2 in
        exfat) options=$options,uid=1000,gid=1000,fmask=0022,dmask=0022,iocharset=utf8,errors=remount-ro ;;
        vfat) options=$options,uid=1000,gid=1000,fmask=0022,dmask=0022,codepage=437,iocharset=iso8859-1,shortname=mixed,utf8,flush,errors=remount-ro ;;
        # A volume that was pulled is marked; `force` mounts it for this look only.
        ntfs3) options=$options,uid=1000,gid=1000,windows_names,iocharset=utf8,force ;;
        ext4) options=$options,errors=remount-ro ;;
    esac
    node=$(disk "$1") || { echo "guest: no disk $1"; return 1; }
    link_volumes
    mkdir -p "/media/$1"
    mount -t "$2" -o "$options" "/dev/$node" "/media/$1" || { dmesg | tail -5; return 1; }
    [ "$2" != ext4 ] || chown 1000:1000 "/media/$1"
}

# unlade as a desktop's user, who may not open a device.
unlade() { timeout 240 /bin/setpriv-of-host --reuid 1000 --regid 1000 --clear-groups /bin/unlade "$@"; }

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
    attach "$1" "$2"
}

# What is on the drive now is what was on the card, in names and bytes, and by our own later check.
is_whole() {
    [ "$(tree "/media/$1/$2")" = "$card" ] && unlade verify "/media/$1/$2" >>/tmp/log 2>&1
}

[ "$(disk card)" ] && [ "$(disk a)" ] || { echo "failed the disks are there"; poweroff -f; }

# The card: forty stills and two clips.
attach card exfat
mkdir -p /media/card/DCIM/100KITES /media/card/DCIM/101KITES
for n in $(seq 40); do
    head -c "$((n * 3000 + 17))" /dev/urandom >"/media/card/DCIM/100KITES/KITE$((1000 + n)).JPG"
done
head -c 9000000 /dev/urandom >/media/card/DCIM/101KITES/CLIP0001.MOV
head -c 7000001 /dev/urandom >/media/card/DCIM/101KITES/CLIP0002.MOV
umount /media/card
attach card exfat ro
card=$(tree /media/card)
attach a ext4

for fs in $FILESYSTEMS; do
    b=b-$fs
    attach "$b" "$fs" || { result "$fs: mounts" 1; continue; }
    copy() { unlade copy /media/card --to /media/a --to "/media/$b" --name "$1" >/tmp/log 2>&1; }

    copy "ONE-$fs"
    code=$?
    # Nothing between the exit code and the pull.
    pull "$b"
    [ "$code" = 0 ]
    result "$fs: a copy is PROVEN" $? /tmp/log
    plug "$b" "$fs"
    is_whole "$b" "ONE-$fs"
    result "$fs: pulled right after PROVEN, it holds the whole card" $? /tmp/log
    is_whole a "ONE-$fs"
    result "$fs: drive A holds the whole card" $? /tmp/log
    rm -rf "/media/a/ONE-$fs"

    echo "@at $b 6000000 pull $b"
    copy "TWO-$fs"
    code=$?
    cp /tmp/log /tmp/first
    is_plugged "$b"
    result "$fs: is gone in the middle of a copy" "$((! $?))" /tmp/first
    [ "$code" = 1 ] && grep -q 'NOT PROVEN' /tmp/first
    result "$fs: pulled in the middle is NOT PROVEN" $? /tmp/first
    umount -l "/media/$b"
    # An NTFS volume that was pulled while it was written has to be checked on Windows first. On FAT a pull between a
    # rename and its flush can leave an empty file under its final name, which the next run rightly leaves alone.
    case $fs in ntfs3 | vfat) continue ;; esac
    plug "$b" "$fs"
    copy "TWO-$fs"
    code=$?
    pull "$b"
    [ "$code" = 0 ]
    result "$fs: plugged in again, the same command ends PROVEN" $? /tmp/log
    plug "$b" "$fs"
    is_whole "$b" "TWO-$fs"
    result "$fs: and pulled right then, it holds the whole card" $? /tmp/log
    rm -rf "/media/a/TWO-$fs"
    umount "/media/$b"
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
