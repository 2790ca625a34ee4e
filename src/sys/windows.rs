//! Owns the calls into Windows. Each takes and gives plain values and bytes; buffers are lent for
//! the length of one call only. Paths are full ones, as `\\?\C:\...` where length or names need
//! that.
#![expect(
    unsafe_code,
    reason = "these calls have no safe form in the standard library or a crate"
)]

use std::ffi::OsStr;
use std::fs::File;
use std::io;
use std::os::windows::ffi::OsStrExt as _;
use std::os::windows::io::AsRawHandle as _;
use std::sync::OnceLock;
use windows_sys::Win32::Foundation::FILETIME;
use windows_sys::Win32::Storage::FileSystem::{
    GetDiskFreeSpaceExW, GetDiskFreeSpaceW, GetDriveTypeW, GetFileInformationByHandleEx,
    GetVolumeInformationW, GetVolumeNameForVolumeMountPointW, GetVolumePathNameW,
    MOVEFILE_REPLACE_EXISTING, MOVEFILE_WRITE_THROUGH, MoveFileExW, SetFileTime,
};
use windows_sys::Win32::System::IO::DeviceIoControl;
use windows_sys::Win32::System::LibraryLoader::{GetModuleHandleW, GetProcAddress};
use windows_sys::Win32::System::Power::{
    ES_CONTINUOUS, ES_SYSTEM_REQUIRED, SetThreadExecutionState,
};

/// Longest path that is passed on, in UTF-16 units with the NUL (Microsoft, "Maximum Path Length
/// Limitation").
const PATH_UNITS_MAX: usize = 32_767;

/// Text as Windows takes it: UTF-16, closed by a NUL.
fn wide(text: &OsStr) -> io::Result<Vec<u16>> {
    let mut units: Vec<u16> = text.encode_wide().collect();
    if units.contains(&0) || units.len() >= PATH_UNITS_MAX {
        return Err(io::ErrorKind::InvalidInput.into());
    }
    units.push(0);
    Ok(units)
}

/// What Windows wrote into a buffer, up to the NUL.
fn text(units: &[u16]) -> String {
    let end = units.iter().position(|u| *u == 0).unwrap_or(units.len());
    String::from_utf16_lossy(units.get(..end).unwrap_or(units))
}

/// Turns the answer of a call into a result.
fn check(answer: i32) -> io::Result<()> {
    if answer == 0 {
        return Err(io::Error::last_os_error());
    }
    Ok(())
}

fn length(bytes: usize) -> io::Result<u32> {
    u32::try_from(bytes).map_err(|_| io::ErrorKind::InvalidInput.into())
}

/// Gives a file another name on the same volume; never replaces what has that name, and never
/// copies. Returns when the change is handed to the disk (`MOVEFILE_WRITE_THROUGH`).
///
/// # Errors
/// What the system says; `AlreadyExists` when the name is taken.
pub fn rename(from: &OsStr, to: &OsStr, replaces: bool) -> io::Result<()> {
    let (from, to) = (wide(from)?, wide(to)?);
    let also = if replaces {
        MOVEFILE_REPLACE_EXISTING
    } else {
        0
    };
    // SAFETY: both pointers are to buffers closed by a NUL, which outlive the call.
    check(unsafe { MoveFileExW(from.as_ptr(), to.as_ptr(), MOVEFILE_WRITE_THROUGH | also) })
}

/// Asks that nothing which is done with this open file changes its date of last access: -1, as the
/// description of `SetFileTime` has it. The file must be open for writing attributes.
///
/// # Errors
/// What the system says.
pub fn keep_access_time(file: &File) -> io::Result<()> {
    let keep = FILETIME {
        dwLowDateTime: u32::MAX,
        dwHighDateTime: u32::MAX,
    };
    // SAFETY: the handle is open for as long as `file` is borrowed; null means "leave this date";
    // `keep` outlives the call.
    check(unsafe {
        SetFileTime(
            file.as_raw_handle(),
            std::ptr::null(),
            &raw const keep,
            std::ptr::null(),
        )
    })
}

/// Fills `into` with what `class` (a `FILE_INFO_BY_HANDLE_CLASS`) says of an open file or folder.
/// The buffer begins at a multiple of 8.
///
/// # Errors
/// What the system says; `InvalidInput` for a buffer that begins elsewhere.
pub fn file_information(file: &File, class: i32, into: &mut [u8]) -> io::Result<()> {
    if into.as_ptr().align_offset(8) != 0 {
        return Err(io::ErrorKind::InvalidInput.into());
    }
    let bytes = length(into.len())?;
    // SAFETY: the handle is open for as long as `file` is borrowed; the system writes at most
    // `bytes` bytes into a buffer of that length that nobody else uses meanwhile; any bytes are
    // valid `u8`.
    check(unsafe {
        GetFileInformationByHandleEx(file.as_raw_handle(), class, into.as_mut_ptr().cast(), bytes)
    })
}

/// Sends a control code to an open volume or disk and returns how many bytes of `output` it filled.
/// Only codes that ask are sent.
///
/// # Errors
/// What the system says.
pub fn ask_device(device: &File, code: u32, input: &[u8], output: &mut [u8]) -> io::Result<usize> {
    let mut filled = 0_u32;
    let (given, room) = (length(input.len())?, length(output.len())?);
    // SAFETY: the handle is open for as long as `device` is borrowed and not opened for overlapped
    // use, so the call ends before it returns; both buffers have the lengths given; any bytes are
    // valid `u8`.
    check(unsafe {
        DeviceIoControl(
            device.as_raw_handle(),
            code,
            input.as_ptr().cast(),
            given,
            output.as_mut_ptr().cast(),
            room,
            &raw mut filled,
            std::ptr::null_mut(),
        )
    })?;
    Ok(usize::try_from(filled).unwrap_or(0).min(output.len()))
}

/// What is known of a volume.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct VolumeInformation {
    /// Name that the person gave it; may be empty.
    pub label: String,
    /// Serial number, 32 bits.
    pub serial: u32,
    /// `FILE_READ_ONLY_VOLUME` and others.
    pub flags: u32,
    /// Type of the file system: `NTFS`, `FAT32`, `exFAT`.
    pub filesystem: String,
}

/// Returns what is known of the volume with this root, given with a backslash at its end.
///
/// # Errors
/// What the system says.
pub fn volume_information(root: &OsStr) -> io::Result<VolumeInformation> {
    let root = wide(root)?;
    let (mut label, mut filesystem) = ([0_u16; 262], [0_u16; 262]);
    let (mut serial, mut longest, mut flags) = (0, 0, 0);
    // SAFETY: `root` is closed by a NUL; the buffers have the lengths given; all outlive the call.
    check(unsafe {
        GetVolumeInformationW(
            root.as_ptr(),
            label.as_mut_ptr(),
            261,
            &raw mut serial,
            &raw mut longest,
            &raw mut flags,
            filesystem.as_mut_ptr(),
            261,
        )
    })?;
    Ok(VolumeInformation {
        label: text(&label),
        serial,
        flags,
        filesystem: text(&filesystem),
    })
}

/// Returns the root of the volume that holds a path, with a backslash at its end.
///
/// # Errors
/// What the system says.
pub fn volume_root(path: &OsStr) -> io::Result<String> {
    let path = wide(path)?;
    let mut root = vec![0_u16; path.len().max(261) + 1];
    let units = length(root.len())?;
    // SAFETY: `path` is closed by a NUL; `root` has the length given; both outlive the call.
    check(unsafe { GetVolumePathNameW(path.as_ptr(), root.as_mut_ptr(), units) })?;
    Ok(text(&root))
}

/// Returns the system's own name of a volume, `\\?\Volume{...}\`, from its root.
///
/// # Errors
/// What the system says; network folders have none.
pub fn volume_name(root: &OsStr) -> io::Result<String> {
    let root = wide(root)?;
    let mut name = [0_u16; 64];
    // SAFETY: `root` is closed by a NUL; `name` has the length given; both outlive the call.
    check(unsafe { GetVolumeNameForVolumeMountPointW(root.as_ptr(), name.as_mut_ptr(), 64) })?;
    Ok(text(&name))
}

/// Returns the kind of drive (`GetDriveTypeW`): 2 removable, 3 fixed, 4 network, 5 optical, 6
/// memory.
///
/// # Errors
/// `InvalidInput` for a root that cannot be passed on.
pub fn drive_type(root: &OsStr) -> io::Result<u32> {
    let root = wide(root)?;
    // SAFETY: `root` is closed by a NUL and outlives the call.
    Ok(unsafe { GetDriveTypeW(root.as_ptr()) })
}

/// Room on a volume, in bytes.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct DiskSpace {
    /// Size of the volume.
    pub total_bytes: u64,
    /// Free for this user.
    pub free_bytes: u64,
    /// Smallest unit of allocation; 512 where the system does not tell.
    pub cluster_bytes: u64,
}

/// Returns the room on the volume with this root.
///
/// # Errors
/// What the system says.
pub fn room(root: &OsStr) -> io::Result<DiskSpace> {
    let root = wide(root)?;
    let (mut free, mut total, mut all_free) = (0, 0, 0);
    // SAFETY: `root` is closed by a NUL; the three numbers outlive the call.
    check(unsafe {
        GetDiskFreeSpaceExW(
            root.as_ptr(),
            &raw mut free,
            &raw mut total,
            &raw mut all_free,
        )
    })?;
    let (mut sectors, mut sector_bytes, mut free_units, mut units) = (0_u32, 0_u32, 0, 0);
    // SAFETY: as above, with four numbers.
    let told = check(unsafe {
        GetDiskFreeSpaceW(
            root.as_ptr(),
            &raw mut sectors,
            &raw mut sector_bytes,
            &raw mut free_units,
            &raw mut units,
        )
    });
    let cluster_bytes = u64::from(sectors).saturating_mul(u64::from(sector_bytes));
    Ok(DiskSpace {
        total_bytes: total,
        free_bytes: free,
        cluster_bytes: if told.is_ok() && cluster_bytes > 0 {
            cluster_bytes
        } else {
            512
        },
    })
}

/// Asks that the computer stays awake for as long as the calling thread lives, or takes that back.
/// Returns whether it was granted.
pub fn stay_awake(on: bool) -> bool {
    let state = if on {
        ES_CONTINUOUS | ES_SYSTEM_REQUIRED
    } else {
        ES_CONTINUOUS
    };
    // SAFETY: takes a number and keeps no pointer.
    unsafe { SetThreadExecutionState(state) != 0 }
}

/// Returns whether this is Wine, which runs Windows programs on another system: its `ntdll` has a
/// function that Windows' own has not.
pub fn is_wine() -> bool {
    static FOUND: OnceLock<bool> = OnceLock::new();
    *FOUND.get_or_init(|| {
        let name: Vec<u16> = "ntdll.dll\0".encode_utf16().collect();
        // SAFETY: both names are closed by a NUL and outlive the calls; `ntdll` is never unloaded;
        // the function that may be found is not called.
        unsafe {
            let module = GetModuleHandleW(name.as_ptr());
            !module.is_null()
                && GetProcAddress(module, c"wine_get_version".as_ptr().cast()).is_some()
        }
    })
}
