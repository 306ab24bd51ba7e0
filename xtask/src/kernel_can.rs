//! SocketCAN and the kernel's own ISO-TP for real: boots Debian's kernel in the full-system emulator with a test program
//! of ours and nothing else, creates a virtual CAN interface there, and lets the kernel's ISO-TP sockets be the modules.

use std::fs;
use std::path::{Path, PathBuf};
use std::process::Command;

use crate::step::{Failure, Steps, output, run};
use crate::workspace::Workspace;

/// The emulator, which interprets the processor: no hardware support is needed.
const EMULATOR: &str = "qemu-system-x86_64";
const INSTALL: &str = "on Debian: `apt-get install qemu-system-x86 dpkg apt`";
/// Modules of the kernel, in the order in which they can be loaded.
const MODULES: [&str; 5] =
    ["net/can/can", "net/can/can-raw", "net/can/can-isotp", "drivers/net/can/dev/can-dev", "drivers/net/can/vcan"];
const TARGET: &str = "x86_64-unknown-linux-gnu";
/// Longest that the emulated machine may run.
const LIMIT_S: &str = "300";

/// Builds the program, fetches the kernel once, boots it and reads what the program says.
pub(crate) fn run_it(workspace: &Workspace) -> Result<(), Failure> {
    let folder = workspace.target().join("kernel-can");
    fs::create_dir_all(&folder).map_err(|cause| failed(&folder, &cause))?;
    let mut steps = Steps::of(3);
    let kernel = steps.step("kernel: Debian's package, once", || kernel(&folder))?;
    let program = steps.step("program: a static build of crates/link/examples/kernel_can.rs", || {
        let target = folder.join("build");
        run(
            workspace
                .cargo()
                .args(["build", "--package", "link", "--example", "kernel_can", "--target", TARGET, "--target-dir"])
                .arg(&target)
                .env("RUSTFLAGS", "-C target-feature=+crt-static"),
            "mend the first error above; the C library's static archive is needed (Debian: `libc6-dev`)",
        )?;
        Ok(target.join(TARGET).join("debug/examples/kernel_can"))
    })?;
    steps.step(&format!("boot: {EMULATOR} with the kernel and the program"), || {
        let image = folder.join("initramfs");
        fs::write(&image, archive(&kernel, &program)?).map_err(|cause| failed(&image, &cause))?;
        let said = output(
            Command::new("timeout")
                .arg(LIMIT_S)
                .arg(EMULATOR)
                .args(["-m", "512", "-nographic", "-no-reboot"])
                .args(["-nodefaults", "-serial", "stdio", "-append", "console=ttyS0 quiet panic=-1 rdinit=/init"])
                .arg("-kernel")
                .arg(kernel.join("vmlinuz"))
                .arg("-initrd")
                .arg(&image),
            INSTALL,
        )?;
        println!("{}", said.trim());
        if said.contains("kernel-can: passed") {
            return Ok(());
        }
        Err(Failure::new("the program in the emulated machine did not pass", "its lines are above"))
    })
}

fn failed(path: &Path, cause: &std::io::Error) -> Failure {
    Failure::new(format!("`{}`: {cause}", path.display()), "check the disk and its permissions")
}

/// Kernel and modules, taken out of the package that Debian's newest kernel is in.
fn kernel(folder: &Path) -> Result<PathBuf, Failure> {
    let place = folder.join("kernel");
    if place.join("vmlinuz").exists() {
        return Ok(place);
    }
    let newest = output(Command::new("apt-cache").args(["depends", "linux-image-amd64"]), INSTALL)?;
    let package = newest.split_whitespace().find(|word| word.starts_with("linux-image-") && word.contains('.'));
    let package = package.ok_or_else(|| Failure::new("no kernel package is known", "run `apt-get update`"))?;
    run(
        Command::new("apt-get").args(["download", package]).current_dir(folder),
        "run `apt-get update`, check the network",
    )?;
    let files = fs::read_dir(folder).map_err(|cause| failed(folder, &cause))?.flatten().map(|entry| entry.path());
    let file = files.into_iter().find(|path| path.extension().is_some_and(|ending| ending == "deb"));
    let file = file.ok_or_else(|| Failure::new("the kernel package was not downloaded", "look at the lines above"))?;
    let unpacked = folder.join("unpacked");
    run(Command::new("dpkg-deb").arg("-x").arg(&file).arg(&unpacked), INSTALL)?;
    let release = package.trim_start_matches("linux-image-");
    fs::create_dir_all(&place).map_err(|cause| failed(&place, &cause))?;
    for module in MODULES {
        let name = format!("{}.ko", module.rsplit('/').next().unwrap_or(module));
        let roots = ["lib", "usr/lib"].map(|lib| unpacked.join(lib).join("modules").join(release).join("kernel"));
        copy(&roots.map(|root| root.join(format!("{module}.ko"))), &place.join(name))?;
    }
    copy(&[unpacked.join("boot").join(format!("vmlinuz-{release}"))], &place.join("vmlinuz"))?;
    // Only what is needed stays: the package unpacks to half a gigabyte.
    for left in [&unpacked, &file] {
        let removed = if left.is_dir() { fs::remove_dir_all(left) } else { fs::remove_file(left) };
        removed.map_err(|cause| failed(left, &cause))?;
    }
    Ok(place)
}

/// Copies the first of these files that is there.
fn copy(from: &[PathBuf], to: &Path) -> Result<(), Failure> {
    let there = from.iter().find(|path| path.exists());
    let there = there.ok_or_else(|| {
        Failure::new(format!("the kernel package has no {to:?}"), "it may be compressed in this release of Debian")
    })?;
    fs::copy(there, to).map(|_| ()).map_err(|cause| failed(there, &cause))
}

/// The file system that the kernel starts with: the program as `/init`, and the modules.
fn archive(kernel: &Path, program: &Path) -> Result<Vec<u8>, Failure> {
    let read = |path: &Path| fs::read(path).map_err(|cause| failed(path, &cause));
    let mut image = Vec::new();
    for folder in ["dev", "modules", "sys"] {
        entry(&mut image, folder, 0o040_755, &[]);
    }
    entry(&mut image, "init", 0o100_755, &read(program)?);
    for module in MODULES {
        let name = format!("{}.ko", module.rsplit('/').next().unwrap_or(module));
        entry(&mut image, &format!("modules/{name}"), 0o100_644, &read(&kernel.join(&name))?);
    }
    entry(&mut image, "TRAILER!!!", 0, &[]);
    Ok(image)
}

/// One file in the "newc" form of cpio: thirteen numbers of eight hex digits behind `070701`, then name and content, each
/// filled up to a multiple of four bytes (the kernel's documentation of the initramfs buffer format).
fn entry(image: &mut Vec<u8>, name: &str, mode: u32, content: &[u8]) {
    let number = u32::try_from(image.len()).unwrap_or(0);
    let size = u32::try_from(content.len()).unwrap_or(u32::MAX);
    let name_size = u32::try_from(name.len() + 1).unwrap_or(0);
    image.extend(b"070701");
    for field in [number, mode, 0, 0, 1, 0, size, 0, 0, 0, 0, name_size, 0] {
        image.extend(format!("{field:08x}").into_bytes());
    }
    image.extend(name.bytes().chain([0]));
    image.resize(image.len().next_multiple_of(4), 0);
    image.extend(content);
    image.resize(image.len().next_multiple_of(4), 0);
}

#[cfg(test)]
mod tests {
    use super::entry;

    /// Source: the kernel's documentation of the initramfs buffer format.
    #[test]
    fn entries_are_aligned() {
        let mut image = Vec::new();
        entry(&mut image, "init", 0o100_755, b"abcde");
        assert_eq!(image.get(..14), Some(b"07070100000000".as_slice()));
        assert_eq!(image.get(14..22), Some(b"000081ed".as_slice()));
        assert_eq!(image.len(), (110_usize + 5).next_multiple_of(4) + 8);
        assert!(image.ends_with(b"abcde\0\0\0"));
    }
}
