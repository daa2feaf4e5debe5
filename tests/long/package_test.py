#!/usr/bin/env python3
"""The Debian package in a clean root: it installs, the job runs, an upgrade leaves a running job alone, and purge leaves nothing.

    package_test.py      STEADYCELL_BIN names the folder of built programs; its build folder is where cpack runs

debootstrap makes a minimal Debian 12 from the mirror that this machine's apt uses; the package is installed there by dpkg and
apt, with nothing but what it depends on. Exit code 0: right, 1: wrong, 77: it cannot run here (said loudly): no root, no debootstrap,
no mirror.
"""
import json
import os
import shutil
import signal
import subprocess
import sys
import tempfile
import time
from pathlib import Path

BUILD = Path(os.environ["STEADYCELL_BIN"]).resolve().parent
SUITE = "bookworm"
wrong = []


def cannot(why):
    print(f"CANNOT RUN: {why}")
    sys.exit(77)


def run(*command, check=True, **options):
    done = subprocess.run([str(x) for x in command], capture_output=True, text=True, timeout=900, **options)
    if check and done.returncode != 0:
        print(f"WRONG: {' '.join(map(str, command))} ended with {done.returncode}\n{done.stdout[-3000:]}{done.stderr[-3000:]}")
        sys.exit(1)
    return done


def expect(what, good, detail=""):
    print(f"   {'ok   ' if good else 'WRONG'} {what}{'' if good else ': ' + str(detail)}", flush=True)
    if not good:
        wrong.append(what)


class Root:
    def __init__(self, folder):
        self.folder = folder
        self.environment = {"PATH": "/usr/sbin:/usr/bin:/sbin:/bin", "LC_ALL": "C.UTF-8", "DEBIAN_FRONTEND": "noninteractive",
                            "HOME": "/root", "XDG_RUNTIME_DIR": "/run/user/0"}

    def run(self, *command, check=True, **more):
        return run("chroot", self.folder, *command, check=check, env=self.environment | more)

    def files(self):
        """All of the root but what dpkg, apt and running programs keep for themselves."""
        left = ("./var/lib/dpkg", "./var/lib/apt", "./var/cache", "./var/log", "./run", "./tmp", "./dev", "./proc", "./package", "./root",
                "./etc/group", "./etc/gshadow")
        listed = run("find", ".", "-xdev", cwd=self.folder).stdout.splitlines()
        return {name for name in listed if not name.startswith(left)}


def mirror():
    told = run("apt-get", "indextargets", "--format", "$(REPO_URI)", "Identifier: Packages", f"Codename: {SUITE}", check=False)
    found = told.stdout.split()
    return found[0] if found else None


def main():
    if os.geteuid() != 0:
        cannot("a clean root needs root")
    if not shutil.which("debootstrap"):
        cannot("debootstrap is not installed")
    if not (source := mirror()):
        cannot(f"apt here has no {SUITE}")
    print("building the package", flush=True)
    targets = ("steadycell", "steadycelld", "steadycell-simboard", "demo_data", "manual")
    if run("cmake", "--build", BUILD, "-j", str(os.cpu_count()), "--target", *targets, check=False).returncode != 0:
        wrong.append("the build")
        return
    with tempfile.TemporaryDirectory(prefix="steadycell-package-") as here:
        folder = Path(here)
        run("cpack", "--config", BUILD / "CPackConfig.cmake", "-G", "DEB", "-B", folder / "out", cwd=folder)
        package, = (folder / "out").glob("*.deb")
        fields = run("dpkg-deb", "--field", package).stdout
        expect("name, version and dependencies", "Package: steadycell\n" in fields and "libfmt9" in fields and "libc6" in fields, fields)
        inside = run("dpkg-deb", "--contents", package).stdout
        for path in ("usr/bin/steadycell", "usr/bin/steadycelld", "usr/bin/steadycell-simboard",
                     "usr/lib/udev/rules.d/70-steadycell.rules", "usr/lib/systemd/user/steadycelld.socket",
                     "usr/share/man/man1/steadycell.1.gz", "usr/share/bash-completion/completions/steadycell",
                     "usr/share/zsh/vendor-completions/_steadycell", "usr/share/fish/vendor_completions.d/steadycell.fish",
                     "usr/share/doc/steadycell/copyright"):
            expect(f"holds /{path}", f"./{path}\n" in inside)
        expect("every file belongs to root", all(line.split()[1] == "root/root" for line in inside.splitlines()))

        print("making a clean root", flush=True)
        root = Root(folder / "root")
        made = run("debootstrap", "--variant=minbase", SUITE, root.folder, source, check=False)
        if made.returncode != 0:
            cannot("debootstrap failed: " + made.stdout[-300:] + made.stderr[-300:])
        # As apt here reaches its mirror.
        for name in ("sources.list", "sources.list.d", "apt.conf.d", "auth.conf.d", "trusted.gpg.d", "keyrings"):
            there, into = Path("/etc/apt") / name, root.folder / "etc/apt" / name
            if there.is_dir():
                shutil.copytree(there, into, dirs_exist_ok=True)
            elif there.is_file():
                shutil.copy(there, into)
        for certificates in ("/etc/ssl/certs", "/usr/local/share/ca-certificates"):
            if Path(certificates).is_dir():
                shutil.copytree(certificates, root.folder / certificates.lstrip("/"), dirs_exist_ok=True, ignore_dangling_symlinks=True)
        for name in ("resolv.conf", "hosts"):
            shutil.copy(Path("/etc") / name, root.folder / "etc" / name)
        (root.folder / "package").mkdir()
        shutil.copy(package, root.folder / "package/steadycell.deb")
        (root.folder / "run/user/0").mkdir(parents=True, mode=0o700)
        if run("mount", "--bind", "/proc", root.folder / "proc", check=False).returncode != 0:
            cannot("no mount in here: programs need /proc")
        try:
            try_in(root)
        finally:
            run("umount", "-l", root.folder / "proc", check=False)


def try_in(root):
    print("installing", flush=True)
    if root.run("apt-get", "update", "-qq", check=False).returncode != 0:
        cannot("apt cannot reach its mirror from the clean root")
    # What the package depends on is there first, so that purging it can be compared file by file.
    field = run("dpkg-deb", "--field", root.folder / "package/steadycell.deb", "Depends").stdout
    depends = [d.split("(")[0].split("|")[0].strip() for d in field.split(",")]
    root.run("apt-get", "install", "-y", "--no-install-recommends", *depends)
    before = root.files()
    root.run("apt-get", "install", "-y", "--no-install-recommends", "/package/steadycell.deb")
    expect("dpkg is content", "ok installed" in root.run("dpkg-query", "-W", "-f", "${Status}", "steadycell").stdout)
    expect("the group of the rules is there", root.run("getent", "group", "steadycell", check=False).returncode == 0)
    unit = (root.folder / "usr/lib/systemd/user/steadycelld.service").read_text()
    expect("the unit starts the installed program", "ExecStart=/usr/bin/steadycelld\n" in unit, unit)

    print("running", flush=True)
    expect("--version", root.run("steadycell", "--version").stdout.startswith("steadycell "))
    demo = root.run("steadycell", "demo", "--out", "/root/demo", check=False)
    identified = root.run("steadycell", "chip", "identify", "--board", "sim:/usr/share/steadycell/demo/fixture.json", "--supply-mV", "3300",
                          check=False, STEADYCELL_DAEMON="off")
    expect("board work, with the daemon off", identified.returncode == 0, identified.stdout + identified.stderr)
    # The demo rebuilds a volume with a Python script, which the package only suggests.
    expect("demo says what it lacks", demo.returncode == 0 or "python3" in demo.stdout + demo.stderr, demo.stderr[-500:])
    doctor = json.loads(root.run("steadycell", "doctor", "--json", check=False).stdout)
    states = {finding["check"]: finding["state"] for finding in doctor["findings"]}
    expect("doctor calls the device rule good", states["device rule"] == "good", doctor)
    conform = root.run("steadycell", "board", "conform", "--board", "sim:/usr/share/steadycell/demo/dead-stick.json", "--only", "wp_low",
                       "--confirm", "no patient chip in the socket, no stick in the port", check=False)
    expect("board conform", conform.returncode == 0, conform.stdout + conform.stderr)

    upgrade_under_a_job(root)

    print("purging", flush=True)
    root.run("dpkg", "--purge", "steadycell")
    left = root.files() - before
    expect("purge leaves no file", not left, sorted(left)[:20])
    expect("nor the group", root.run("getent", "group", "steadycell", check=False).returncode != 0)
    expect("what the user made stays", (root.folder / "root/case").is_dir())


def upgrade_under_a_job(root):
    """F-50: an upgrade in the middle of a job. The daemon goes on with the program it was started with; the job ends well."""
    print("upgrading under a job", flush=True)
    fixture = {"schema": "steadycell-fixture/1", "seed": 7, "timed": True,
               "chip": {"supply_mV": 3300, "timing": {"mode": 0, "t_read_us": 2000},
                        "targets": [{"id_bytes": "EC 76", "geometry": {"page_bytes": 512, "spare_bytes": 16, "pages_per_block": 32,
                                                                       "blocks": 4, "column_cycles": 1, "row_cycles": 3}}]}}
    (root.folder / "root/slow.json").write_text(json.dumps(fixture))
    start = lambda *command, **more: subprocess.Popen(["chroot", root.folder, *command], env=root.environment | more,
                                                      stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True)
    daemon = start("steadycelld")
    try:
        socket = root.folder / "run/user/0/steadycell/steadycelld.socket"
        for _ in range(100):
            if socket.exists():
                break
            time.sleep(0.1)
        job = start("steadycell", "chip", "read", "--board", "sim:/root/slow.json", "--supply-mV", "3300", "--passes", "2",
                    "--blocks", "0-199", "--into", "/root/case", "--quiet", STEADYCELL_DAEMON="only")
        time.sleep(3)
        expect("a job runs when the upgrade begins", job.poll() is None, job.poll())
        root.run("dpkg", "-i", "/package/steadycell.deb")
        expect("and when it has ended", job.poll() is None, job.poll())
        expect("by the same daemon", daemon.poll() is None)
        told = job.communicate(timeout=600)
        expect("the job is done", job.returncode == 0, told)
    finally:
        daemon.send_signal(signal.SIGTERM)
        daemon.wait(60)
    expect("the daemon ends well", daemon.returncode == 0, daemon.returncode)


main()
print(f"{len(wrong)} wrong" + (": " + ", ".join(wrong) if wrong else ""))
sys.exit(1 if wrong else 0)
