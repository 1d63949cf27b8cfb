# Run by debian_box.py in new namespaces: makes the tree in $1 the root, and systemd its init.
set -e
cd "$1"
mount --bind . .
cd "$1"
mount -t proc proc proc
mount --bind proc/sys proc/sys
mount -o remount,bind,ro proc/sys
mount -t sysfs -o ro sys sys
mount -t tmpfs -o mode=755 dev dev
mkdir dev/pts dev/shm
mount -t tmpfs -o mode=1777 shm dev/shm
for node in null zero full random urandom tty; do
    : >"dev/$node"
    mount --bind "/dev/$node" "dev/$node"
done
ln -s /proc/self/fd dev/fd
mount -t devpts -o newinstance,ptmxmode=666 pts dev/pts
ln -s pts/ptmx dev/ptmx
mount -t tmpfs -o mode=755 run run
mount -t tmpfs -o mode=1777 tmp tmp
mount -t cgroup2 cgroup2 sys/fs/cgroup
mkdir -p old
pivot_root . old
umount -l old
mount --make-rshared /
export container=lastwatt-test PATH=/usr/sbin:/usr/bin:/sbin:/bin
exec /lib/systemd/systemd --system --log-target=journal </dev/null
