#!/usr/bin/env bash
# Make a disk image of a whole board: Debian, the companion as its service, nothing left to install.
set -euo pipefail

usage() {
    cat <<'TEXT'
Example: sudo bash hardware/image.sh --arch arm64 board.img

Makes a disk image for a board or computer that starts by UEFI, to be written onto its card or drive:
  1  FAT    the kernel, and board.toml and companion.toml, which any computer can edit
  2  ext4   Debian with the companion as its service; never written
  3  ext4   logbook, recordings, configuration in force; journalled, grows to the disk's end at the first start

  --arch arm64|amd64   for which processor (arm64); for a foreign one with qemu-user-static and binfmt-support
  --suite SUITE        of Debian (bookworm)
  --add PACKAGE        also this Debian package: what the board's radio or sound needs, say; can be repeated
  --base FILE          Debian by itself is kept in this tar file, and taken from it when it is there
  --help               this text

Needs mmdebstrap, e2fsprogs, dosfstools, mtools, fdisk, git, a network, and 5 GB beside the image. The same commit, the same
packages and the same SOURCE_DATE_EPOCH (the commit's time, unless it is set) give the same image: two made side by side for
amd64 were the same bit for bit. MIRROR names where Debian's packages come from.

Not for navigation. Fuse at the battery; wiring by local rules and a competent person.
TEXT
}

say() { printf '%s\n' "$*"; }

# For another processor every program is emulated, and a shell script is hundreds of them: a tenth of the speed. The
# shell and the small tools are this machine's meanwhile, with its libraries, where the system to be made has none.
readonly tools=(
    dash bash sed mawk grep find zstd gzip tar touch cat cp mv rm ln mkdir rmdir chmod chown readlink realpath dirname basename
    sort uniq cut tr head tail wc id mktemp stat tee expr seq env test date ls comm true false run-parts cmp diff xargs getent
    getopt install sha256sum md5sum perl dpkg-deb dpkg-split
)

lend_tools() { # SYSTEM
    local system=$1 tool
    is_foreign "$system" || return 0
    mkdir -p "$system/usr/lib/x86_64-linux-gnu" "$system/lib64"
    mount --bind /usr/lib/x86_64-linux-gnu "$system/usr/lib/x86_64-linux-gnu"
    mount --bind /lib64 "$system/lib64"
    for tool in "${tools[@]}"; do
        if is_program "$system/usr/bin/$tool" && is_program "$(command -v "$tool")"; then
            mount --bind "$(command -v "$tool")" "$system/usr/bin/$tool"
        fi
    done
}

take_tools_back() { # SYSTEM
    local system=$1
    is_foreign "$system" || return 0
    awk -v in_it="$system/usr/bin/" 'index($5, in_it) == 1 { print $5 }' /proc/self/mountinfo | xargs -r umount
    umount "$system/usr/lib/x86_64-linux-gnu" "$system/lib64"
    rmdir "$system/usr/lib/x86_64-linux-gnu" "$system/lib64"
}

is_foreign() { [[ $(uname -m) == x86_64 && -d $1/usr/lib/aarch64-linux-gnu ]]; } # SYSTEM

is_program() { [[ -f $1 && ! -L $1 && $(head -c 4 "$1" | tr -d '\0') == $'\x7fELF' ]]; } # FILE: no script, no link

stop() {
    printf 'image: %s\n' "$*" >&2
    exit 1
}

wrong() {
    usage >&2
    exit 2
}

# mmdebstrap calls back while it makes the system.
case ${1:-} in
    --lend-tools)
        lend_tools "$2"
        exit
        ;;
    --take-tools-back)
        take_tools_back "$2"
        exit
        ;;
esac

arch=arm64 suite=bookworm image='' base='' added=()
while (($#)); do
    case $1 in
        --arch) arch=${2:-} && shift ;;
        --suite) suite=${2:-} && shift ;;
        --add) added+=("${2:-}") && shift ;;
        --add=*) added+=("${1#--add=}") ;;
        --base) base=${2:-} && shift ;;
        -h | --help) usage && exit 0 ;;
        -*) wrong ;;
        *) [[ -z $image ]] || wrong && image=$1 ;;
    esac
    shift || wrong
done
[[ -n $image && -n $suite ]] || wrong
case $arch in
    arm64) machine=aarch64 loader=aa64 root_type=b921b045-1df0-41c3-af44-4c6f280d3fae console=ttyAMA0 ;;
    amd64) machine=x86_64 loader=x64 root_type=4f68bce3-e8cd-4db1-96e7-fbcaf984b709 console=ttyS0 ;;
    *) wrong ;;
esac
((EUID == 0)) || stop "it enters the system that it makes: run it as root (sudo bash hardware/image.sh ...)."
for command in mmdebstrap mke2fs debugfs mkfs.vfat mcopy sfdisk git; do
    command -v "$command" >/dev/null || stop "$command is missing: apt-get install mmdebstrap e2fsprogs dosfstools mtools fdisk git"
done
git -C "$(dirname -- "${BASH_SOURCE[0]}")" rev-parse HEAD >/dev/null 2>&1 ||
    stop "this folder is no git checkout that root may read, and the image is made from its last commit."

# What is mounted for the system that is made is this process's own, and gone with it.
if [[ ${IN_PRIVATE:-} != yes ]]; then
    exec env IN_PRIVATE=yes unshare --mount bash "$0" --arch "$arch" --suite "$suite" --base "$base" "${added[@]/#/--add=}" \
        "$image"
fi

image=$(realpath -- "$image")
[[ -z $base ]] || base=$(realpath -- "$base")
CDPATH='' cd -- "$(dirname -- "${BASH_SOURCE[0]}")/.."
export SOURCE_DATE_EPOCH=${SOURCE_DATE_EPOCH:-$(git log -1 --format=%ct)}
began=$SECONDS

readonly mib=1048576 fat_mib=160 data_mib=160 room_for_an_update_mib=700
# Names for the parts of the disk; the same in every image, so that the same is made from the same.
readonly fat_id=9c1b6e0a-5d1f-4c53-8f43-2a54e8a0c001 root_id=9c1b6e0a-5d1f-4c53-8f43-2a54e8a0c002
readonly data_id=9c1b6e0a-5d1f-4c53-8f43-2a54e8a0c003 disk_id=9c1b6e0a-5d1f-4c53-8f43-2a54e8a0c000

work=$(mktemp -d -- "$image.XXXXXX")
trap 'umount -R "$work/system" 2>/dev/null || true; rm -rf -- "$work"' EXIT
system=$work/system

packages=(
    "linux-image-$arch" initramfs-tools zstd systemd-sysv systemd-boot-efi systemd-resolved systemd-timesyncd udev dbus kmod
    e2fsprogs fdisk ca-certificates tzdata python3 python3-venv wpasupplicant wireless-regdb iproute2 openssh-server
    alsa-utils espeak-ng fonts-dejavu-core libspeexdsp1
)

lapse() { say "$((SECONDS - began)) s: $*"; }

in_system() { chroot "$system" env -i HOME=/root LANG=C.UTF-8 PATH=/usr/sbin:/usr/bin:/sbin:/bin \
    DEBIAN_FRONTEND=noninteractive SOURCE_DATE_EPOCH="$SOURCE_DATE_EPOCH" "$@"; }

make_system() { # from Debian's packages, or as it was kept
    local kept=${base:-$work/debian.tar}
    if [[ ! -f $kept ]]; then
        make_debian "$kept.new"
        mv -T -- "$kept.new" "$kept"
    fi
    mkdir "$system"
    tar x --numeric-owner --xattrs --xattrs-include='*' -C "$system" -f "$kept"
    rm -f -- "$work/debian.tar"
}

make_debian() { # TAR: which disks it starts from has to be known before its kernel comes
    if [[ $suite != bookworm ]]; then packages+=(systemd-repart); fi
    packages+=("${added[@]}")
    mmdebstrap --quiet --variant=minbase --architectures="$arch" --include="${packages[*]}" --format=tar \
        --essential-hook="cp -r '$PWD/hardware/board/system/etc/initramfs-tools' \"\$1/etc\"" \
        --essential-hook="bash '$PWD/hardware/image.sh' --lend-tools \"\$1\"" \
        --customize-hook="bash '$PWD/hardware/image.sh' --take-tools-back \"\$1\"" \
        --dpkgopt=force-confold "$suite" "$1" ${MIRROR:+"$MIRROR"}
}

enter_system() { # let it see devices, processes, and the network through this machine's own certificates
    local certificates=/etc/ssl/certs/ca-certificates.crt
    mount --rbind --make-rslave /dev "$system/dev"
    mount -t proc proc "$system/proc"
    mount -t tmpfs tmpfs "$system/run"
    mount -t tmpfs tmpfs "$system/tmp"
    rm -f -- "$system/etc/resolv.conf"
    cat /etc/resolv.conf >"$system/etc/resolv.conf"
    if [[ -f $certificates ]]; then mount --bind "$certificates" "$system$certificates"; fi
    lend_tools "$system"
}

leave_system() {
    take_tools_back "$system"
    umount "$system/etc/ssl/certs/ca-certificates.crt" 2>/dev/null || true
    umount -l "$system/tmp" "$system/run" "$system/proc" "$system/dev"
}

install_companion() { # by its own installer, from a copy of this folder that is gone afterwards
    local project=$system/tmp/companion models=("${XDG_DATA_HOME:-$HOME/.local/share}"/companion/speech-model-en*)
    mkdir "$project"
    git archive HEAD | tar x -C "$project"
    if [[ -d ${models[0]} ]]; then
        mkdir -p "$system/tmp/models/companion"
        cp -r -- "${models[@]}" "$system/tmp/models/companion"
    fi
    in_system XDG_DATA_HOME=/tmp/models PIP_CERT=/etc/ssl/certs/ca-certificates.crt \
        REQUESTS_CA_BUNDLE=/etc/ssl/certs/ca-certificates.crt PIP_NO_COMPILE=1 \
        bash /tmp/companion/hardware/install.sh --service
}

set_system_up() {
    cp -rT -- hardware/board/system "$system"
    sed -i "s/@ROOT@/$root_id/; s/@DATA@/$data_id/; s/@FAT@/$fat_id/" "$system/etc/fstab"
    in_system systemctl --quiet enable companion companion-board ssh systemd-networkd systemd-resolved systemd-timesyncd
    in_system systemctl --quiet disable wpa_supplicant systemd-networkd-wait-online 2>/dev/null || true
    in_system systemctl --quiet mask apt-daily.timer apt-daily-upgrade.timer dpkg-db-backup.timer e2scrub_all.timer \
        fstrim.timer systemd-networkd-wait-online systemd-pstore
    ln -sfn /run/board/localtime "$system/etc/localtime"
    ln -sfn /run/systemd/resolve/stub-resolv.conf "$system/etc/resolv.conf"
    : >"$system/etc/machine-id"
    echo boat >"$system/etc/hostname"
    rm -f -- "$system"/etc/ssh/ssh_host_* "$system"/boot/*.old "$system"/etc/.resolv.conf.*.bak
    rm -rf -- "$system"/var/log/* "$system"/var/cache/apt/* "$system"/var/lib/apt/lists/* "$system"/var/cache/debconf/*-old \
        "$system"/var/lib/dpkg/*-old "$system"/root/.cache "$system/var/cache/ldconfig/aux-cache" "$system"/var/lib/systemd/*
}

compile_python() { # once and for good: the root is never written, so nothing has to be looked up again
    find "$system/opt/companion" "$system/usr/lib/python3" -name __pycache__ -prune -exec rm -rf {} +
    # Modules that cannot be compiled are somebody's templates or for another Python. All anew (-f): to start Python has
    # compiled one already, with its time.
    if has_its_python; then
        (cd "$system" && python3 -m compileall -fq --invalidation-mode unchecked-hash -s "$system" \
            "$system"/opt/companion/current/lib "$system"/usr/lib/python3*) >/dev/null || true
    else
        in_system /opt/companion/current/bin/python -m compileall -fq --invalidation-mode unchecked-hash \
            /opt/companion/current/lib /usr/lib/python3* >/dev/null || true
    fi
}

has_its_python() { # whether what this machine's Python compiles is for the other processor's, too
    local kind='import importlib.util, sys; print(importlib.util.MAGIC_NUMBER.hex(), sys.implementation.cache_tag)'
    is_foreign "$system" && [[ $(python3 -c "$kind") == "$(in_system python3 -c "$kind")" ]]
}

drop_other_models() { # whoever makes the image may have those of older versions as well
    local model name='from companion.voice.model import MODEL_FOLDER_NAME; print(MODEL_FOLDER_NAME)'
    name=$(in_system /opt/companion/current/bin/python -c "$name")
    for model in "$system"/var/lib/companion/speech-model-en*; do
        [[ ${model##*/} == "$name" ]] || rm -rf -- "$model"
    done
}

part_data_from_system() { # what the service writes is in the data partition; below, if that is lost, only its model
    local data=$work/data
    mkdir -p "$data"/{companion,settings,systemd,board} "$system"/{data,boot}
    mv -- "$system"/var/lib/companion/speech-model-en* "$system/opt/companion"
    rm -rf -- "$system"/var/lib/companion/*
    for model in "$system"/opt/companion/speech-model-en*; do
        ln -s "/opt/companion/${model##*/}" "$system/var/lib/companion/${model##*/}"
    done
    cp -rT -- "$system/var/lib/companion" "$data/companion"
    cp -- "$system/etc/companion/companion.toml" "$data/settings"
    chown -hR --reference="$system/var/lib/companion" "$data/companion"
    chown -hR 0:0 "$system"/opt/companion/speech-model-en*
    chmod -R go+rX "$system"/opt/companion/speech-model-en*
    chmod 750 "$data/companion"
}

make_fat() {
    local files=$work/fat
    mkdir -p "$files/EFI/BOOT" "$files/loader/entries"
    cp -- "$system/usr/lib/systemd/boot/efi/systemd-boot$loader.efi" "$files/EFI/BOOT/BOOT${loader^^}.EFI"
    cp -L -- "$system"/boot/vmlinuz-* "$files/vmlinuz"
    cp -L -- "$system"/boot/initrd.img-* "$files/initrd.img"
    cp -- hardware/board/fat/* "$files"
    cp -- "$work/data/settings/companion.toml" "$files"
    printf 'timeout 0\neditor no\n' >"$files/loader/loader.conf"
    printf 'title companion\nlinux /vmlinuz\ninitrd /initrd.img\noptions %s\n' \
        "root=PARTUUID=$root_id ro quiet console=$console net.ifnames=0 fsck.repair=yes systemd.gpt_auto=0 panic=10" \
        >"$files/loader/entries/companion.conf"
    find "$files" -exec touch -h -d "@$SOURCE_DATE_EPOCH" {} +
    truncate -s "${fat_mib}M" "$work/1"
    mkfs.vfat --invariant -F 32 -n COMPANION "$work/1" >/dev/null
    fill_fat "$files" "$work/1"
    rm -rf -- "${system:?}"/boot/*
}

fill_fat() { # FOLDER FILE: in the order of their names, and by no zone's time
    local folder=$1 fat=$2 path
    export TZ=UTC
    find "$folder" -mindepth 1 -printf '%P\n' | LC_ALL=C sort | while IFS= read -r path; do
        if [[ -d $folder/$path ]]; then
            mmd -i "$fat" "::$path" </dev/null
        else
            mcopy -m -i "$fat" "$folder/$path" "::$path" </dev/null
        fi
    done
}

mib_in() { # FOLDER: in blocks of 4 KiB, the same whatever file system it lies on here
    find "$1" -printf '%y %s\n' |
        awk '$1 == "f" { blocks += int(($2 + 4095) / 4096) } $1 != "f" { ++blocks } END { print int(blocks / 256) + 1 }'
}

make_ext4() { # FOLDER FILE MIB ID OPTION...: a file system of a folder's files, all times those of the commit
    # Of a small one mke2fs would make blocks of 1 KiB, for ever: it grows to a card's end, and a card writes 4 KiB at least.
    # In blocks of 4 KiB there is a second copy of what it begins with from 128 MiB on.
    local changed
    find "$1" -newermt "@$SOURCE_DATE_EPOCH" -exec touch -h -d "@$SOURCE_DATE_EPOCH" {} +
    truncate -s "$3M" "$2"
    E2FSPROGS_FAKE_TIME=$SOURCE_DATE_EPOCH mke2fs -q -t ext4 -b 4096 -m 0 -U "$4" "${@:5}" -E "hash_seed=$4,lazy_itable_init=0" -d "$1" "$2"
    changed=$work/changed
    find "$1" -mindepth 1 -printf '/%P\0' | LC_ALL=C sort -z | while IFS= read -r -d '' path; do
        printf 'sif "%s" ctime @%s\nsif "%s" atime @%s\n' "$path" "$SOURCE_DATE_EPOCH" "$path" "$SOURCE_DATE_EPOCH"
    done >"$changed"
    E2FSPROGS_FAKE_TIME=$SOURCE_DATE_EPOCH debugfs -w -f "$changed" "$2" >/dev/null 2>&1
    e2fsck -fn "$2" >/dev/null 2>&1 || stop "the file system that was made is not sound: $2"
}

join_parts() {
    local root_mib=$(($(stat -c %s "$work/2") / mib))
    truncate -s "$((1 + fat_mib + root_mib + data_mib + 1))M" "$work/disk"
    sfdisk --quiet "$work/disk" <<TEXT
label: gpt
label-id: $disk_id
start=1MiB, size=${fat_mib}MiB, type=U, uuid=$fat_id, name=boot
size=${root_mib}MiB, type=$root_type, uuid=$root_id, name=system
size=${data_mib}MiB, type=L, uuid=$data_id, name=data
TEXT
    dd if="$work/1" of="$work/disk" bs=1M seek=1 conv=notrunc,sparse status=none
    dd if="$work/2" of="$work/disk" bs=1M seek=$((1 + fat_mib)) conv=notrunc,sparse status=none
    dd if="$work/3" of="$work/disk" bs=1M seek=$((1 + fat_mib + root_mib)) conv=notrunc,sparse status=none
    mv -T -- "$work/disk" "$image"
}

make_system
lapse "Debian $suite for $machine is there"
enter_system
install_companion
lapse "the companion is installed"
set_system_up
drop_other_models
compile_python
leave_system
part_data_from_system
make_fat
used_mib=$(mib_in "$system")
make_ext4 "$system" "$work/2" "$((used_mib * 11 / 10 + room_for_an_update_mib))" "$root_id"
# Of what grows to the whole of a card a quarter of the inodes is plenty, and is checked in a quarter of the time.
make_ext4 "$work/data" "$work/3" "$data_mib" "$data_id" -i 65536
join_parts
lapse "done: $image, $(($(stat -c %s "$image") / mib)) MB, $(du -m "$image" | cut -f 1) of them used"
sha256sum -- "$image"
