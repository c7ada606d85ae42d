"""Where the page is found: in numbers, by the responder's name, as a QR code."""

import os
import shutil
import socket
import subprocess
import sys
import threading
from contextlib import closing
from pathlib import Path

import pytest

from dashboard.address import RESPONDER, address_of, local_name, network_address, qr_picture, qr_text, url_of

DAEMON = "/usr/sbin/avahi-daemon"


@pytest.fixture(scope="module")
def avahi(tmp_path_factory):
    """A real mDNS responder on this computer; one that runs already is taken as it is."""
    if RESPONDER.exists():
        yield
        return
    if not Path(DAEMON).exists():
        pytest.skip(f"{DAEMON} is not on this computer; CI installs it")
    if os.geteuid() != 0:
        pytest.skip("starting avahi-daemon needs root")
    settings = tmp_path_factory.mktemp("avahi") / "avahi.conf"
    settings.write_text("[server]\nhost-name=marsh-hide\nenable-dbus=no\n", encoding="ascii")
    command = [DAEMON, "-f", settings, "--no-drop-root", "--no-chroot", "--no-rlimits"]
    started = subprocess.Popen(command, stderr=subprocess.PIPE, text=True)
    said = []
    for line in started.stderr:
        said.append(line)
        if "Server startup complete" in line:
            break
    else:
        pytest.fail("".join(said))
    drain = threading.Thread(target=started.stderr.read, daemon=True)
    drain.start()
    yield
    started.terminate()
    started.wait(10)
    drain.join(10)


def test_the_name_is_the_one_that_the_responder_gives(avahi):
    found = address_of("0.0.0.0", 8480)
    name = "marsh-hide.local" if found.by_name == "http://marsh-hide.local:8480/" else socket.gethostname()
    assert found.by_name is not None
    assert found.by_name.startswith(f"http://{name.removesuffix('.local')}")
    assert found.by_name.endswith(".local:8480/")
    assert found.url == f"http://{network_address()}:8480/"


def test_without_a_responder_there_is_no_name(tmp_path):
    assert address_of("192.0.2.7", 8480, tmp_path / "none").by_name is None


@pytest.mark.parametrize("answer", [b"-15 Timeout reached\n", b"", b"+ 4 0 router.example\n", b"\xff\xfe\n"])
def test_an_answer_that_is_no_local_name_is_not_told(tmp_path, answer):
    place = tmp_path / "socket"
    with closing(socket.socket(socket.AF_UNIX)) as server:
        server.bind(str(place))
        server.listen(1)

        def reply():
            peer, _ = server.accept()
            with closing(peer):
                peer.recv(100)
                peer.sendall(answer)

        replying = threading.Thread(target=reply)
        replying.start()
        assert local_name("192.0.2.7", place) is None
        replying.join(10)


@pytest.mark.parametrize(("host", "alone"), [("127.0.0.1", True), ("localhost", True), ("192.0.2.7", False)])
def test_a_page_for_this_computer_alone_is_told_apart(tmp_path, host, alone):
    assert address_of(host, 8480, tmp_path / "none").alone is alone


OWN_NETWORK = """
import socket, struct, sys
from fcntl import ioctl
from pathlib import Path
from dashboard.address import address_of

print(address_of("0.0.0.0", 8480, Path("none")).url)
with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as asking:
    ioctl(asking, 0x8916, struct.pack("16sHH4s16x", b"lo", socket.AF_INET, 0, socket.inet_aton("10.42.0.1")))
    ioctl(asking, 0x8914, struct.pack("16sh22x", b"lo", 1))
print(address_of("0.0.0.0", 8480, Path("none")).url)
"""
"""netdevice(7): SIOCSIFADDR gives an interface its address, SIOCSIFFLAGS with IFF_UP switches it on."""


@pytest.mark.skipif(os.geteuid() != 0 or shutil.which("unshare") is None, reason="needs root and unshare")
def test_where_this_computer_makes_the_network_its_own_address_is_told():
    """A network namespace (unshare(1)) has no way to the world, as a hotspot has none."""
    command = ["unshare", "--net", sys.executable, "-c", OWN_NETWORK]
    told = subprocess.run(command, capture_output=True, text=True, check=True).stdout.split()
    assert told == ["http://127.0.0.1:8480/", "http://10.42.0.1:8480/"]


def test_an_address_of_six_stands_in_brackets():
    # RFC 3986, section 3.2.2: an IPv6 literal stands in square brackets
    assert url_of("2001:db8::7", 8480) == "http://[2001:db8::7]:8480/"


def test_the_code_has_its_quiet_zone_and_two_colours():
    # ISO/IEC 18004: a quiet zone of four modules around the symbol [from memory]; version 2 has 25 modules
    text = qr_picture("http://192.0.2.7:8480/")
    assert 'viewBox="0 0 33 33"' in text
    lines = qr_text("http://192.0.2.7:8480/").splitlines()
    assert len(lines) >= 33 // 2
