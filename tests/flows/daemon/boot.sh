#!/bin/sh
# Boots systemd over a copy of this machine that vanishes with it. Runs in namespaces of its own:
#   boot.sh WORK CONSOLE PYTHON PACKAGES SOURCE
# CONSOLE is a terminal, where systemd speaks. WORK holds warmfoot, bench/ (becomes /etc/warmfoot), units/ (/etc/systemd/system) and state/ (/var/lib).
set -e
work=$1 console=$2 python=$3 packages=$4 source=$5
mount --make-rprivate /
mkdir -p "$work/over"
mount -t tmpfs tmpfs "$work/over"
cd "$work/over"
mkdir upper aside root
mount -t overlay overlay -o "lowerdir=/,upperdir=upper,workdir=aside" root
cd root

# The machine that the unit file's first lines describe.
echo "warmfoot:x:990:990::/var/lib/warmfoot:/usr/sbin/nologin" >>etc/passwd
echo "warmfoot:x:990:" >>etc/group
rm -rf etc/systemd/system var/lib opt etc/warmfoot
mkdir -p etc/systemd/system var/lib etc/warmfoot opt/python opt/packages opt/source opt/warmfoot/bin
mount --bind "$work/bench" etc/warmfoot
mount --bind "$work/units" etc/systemd/system
mount --bind "$work/state" var/lib
mount --bind "$python" opt/python
mount --bind "$packages" opt/packages
mount --bind "$source" opt/source
cp "$work/warmfoot" opt/warmfoot/bin/warmfoot
chmod 755 . opt opt/warmfoot opt/warmfoot/bin opt/warmfoot/bin/warmfoot

mount -t proc proc proc
mount --rbind /dev dev
mount --bind "$console" dev/console
mount -t sysfs sysfs sys
mount -t tmpfs tmpfs sys/fs/cgroup
mount -t cgroup2 cgroup2 sys/fs/cgroup
mount -t tmpfs tmpfs run
mount -t tmpfs tmpfs tmp
chmod 1777 tmp
# Nothing of this machine is started, and no unit is made from its files.
export container=other SYSTEMD_UNIT_PATH=/etc/systemd/system SYSTEMD_GENERATOR_PATH=/nowhere
exec chroot . /lib/systemd/systemd --system --unit=quiet.target --log-target=console \
    --log-level=debug
