//! Owns the flags of `kit` as they are written.

use crate::cli::args::speed::{FlagError, RateArg, row};
use crate::cli::wrong_value::WrongValue;
use camino::Utf8PathBuf;
use clap::{Args, Subcommand, ValueEnum};
use unlade::kit::KitEntryKind;
use unlade::speed::classes::WriteClass;
use unlade::speed::links::LinkRow;

/// What to do with the kit.
#[derive(Clone, Debug, Subcommand)]
pub(crate) enum KitCommand {
    /// Show cards, readers, drives, places and what is usual.
    #[command(after_help = "Example:  unlade kit list")]
    List,
    /// Say whether the kit is sound, or try a place of it.
    #[command(
        long_about = "Reads kit.toml as copy and plan do, and names every mistake with its line \
            and field. It also says what can be read and would be of no use: a usual drive that \
            isn't found by its name, or fewer usual drives than the copies that PROVEN \
            needs.\n\nWith the name of a place that is tried: a probe is written, read back, \
            compared, listed and removed, and it is said what can be proven there and how fast it \
            is.\n\nThe exit code is 0 when nothing was found, 1 for something of no use, 3 \
            for a mistake.",
        after_help = "Example:  unlade kit check"
    )]
    Check {
        /// A place of the kit to try.
        #[arg(value_name = "PLACE")]
        place: Option<String>,
    },
    /// Add a card, reader, drive or place, or change one with --update.
    #[command(
        subcommand_required = true,
        arg_required_else_help = true,
        disable_help_subcommand = true,
        after_help = "Example:  unlade kit add card A1 --reads 170 --class V30 --at /media/A1"
    )]
    Add {
        #[command(subcommand)]
        what: AddCommand,
    },
    /// Remove a card, reader, drive or place from the kit; nothing else is touched.
    #[command(after_help = "Example:  unlade kit remove card A1")]
    Remove {
        /// What it is.
        #[arg(value_name = "KIND")]
        kind: KindArg,
        /// Its name.
        #[arg(value_name = "NAME")]
        name: String,
    },
}

/// The kinds of entries.
#[derive(Clone, Copy, PartialEq, Eq, Debug, ValueEnum)]
pub(crate) enum KindArg {
    Card,
    Reader,
    Drive,
    Place,
}

impl From<KindArg> for KitEntryKind {
    fn from(kind: KindArg) -> Self {
        match kind {
            KindArg::Card => Self::Card,
            KindArg::Reader => Self::Reader,
            KindArg::Drive => Self::Drive,
            KindArg::Place => Self::Place,
        }
    }
}

/// What to add.
#[derive(Clone, Debug, Subcommand)]
pub(crate) enum AddCommand {
    /// A card.
    #[command(
        after_help = "Example:  unlade kit add card A1 --reads 170 --bus uhs-i --class V30 --at \
            /media/A1"
    )]
    Card(CardArgs),
    /// A reader.
    #[command(after_help = "Example:  unlade kit add reader blue --bus uhs-ii --link usb3-5g")]
    Reader(ReaderArgs),
    /// A drive.
    #[command(
        after_help = "Example:  unlade kit add drive Attic --writes 110 --reads 115 --at \
            /media/ATTIC"
    )]
    Drive(DriveArgs),
    /// A place elsewhere, for `send` and `fetch`.
    #[command(
        long_about = "Keeps the address of a place that copies are sent to: a bucket of S3 or its \
            kin, a folder of a server by SFTP (through this system's own ssh, with its keys and \
            known hosts) or by WebDAV, or a folder that is mounted from elsewhere. No secret is \
            kept: that comes from the environment (AWS_ACCESS_KEY_ID, AWS_SECRET_ACCESS_KEY), from \
            a profile in ~/.aws, or from a command of yours. By webdav://, without encryption, \
            password and pictures can be read on the line; by webdavs:// they can't.",
        after_help = "Example:  unlade kit add place studio --url sftp://ada@studio.example/kites"
    )]
    Place(PlaceArgs),
}

/// `kit add place`.
#[derive(Clone, Debug, Args)]
pub(crate) struct PlaceArgs {
    /// A name of your own.
    #[arg(value_name = "NAME")]
    pub(crate) name: String,
    /// s3://BUCKET/PREFIX, sftp://USER@HOST:PORT/FOLDER, webdavs://HOST:PORT/FOLDER or
    /// file:///FOLDER.
    #[arg(long, value_name = "URL")]
    pub(crate) url: Option<String>,
    /// For s3:// at another service than Amazon: https://HOST.
    #[arg(long, value_name = "URL")]
    pub(crate) endpoint: Option<String>,
    /// The region of the bucket.
    ///
    /// Without it AWS_REGION or AWS_DEFAULT_REGION says it.
    #[arg(long, value_name = "REGION")]
    pub(crate) region: Option<String>,
    /// The profile in ~/.aws/credentials that has the key.
    #[arg(long, value_name = "PROFILE")]
    pub(crate) profile: Option<String>,
    /// A command that prints the key of s3://, or the password of webdavs://.
    ///
    /// On two lines: the id of the key, and the key (a third may be a session's token), or the
    /// user, and the password. It is run
    /// by the shell each time that the place is used, and what it prints is stored nowhere.
    #[arg(long, value_name = "COMMAND")]
    pub(crate) secret_command: Option<String>,
    /// Whatever you want to remember.
    #[arg(long, value_name = "TEXT")]
    pub(crate) note: Option<String>,
    /// Change the place of this name; what is not given stays.
    #[arg(long)]
    pub(crate) update: bool,
}

/// `kit add card`.
#[derive(Clone, Debug, Args)]
pub(crate) struct CardArgs {
    /// A name of your own: what is written on its tape, say.
    #[arg(value_name = "NAME")]
    pub(crate) name: String,
    /// The read rate on its label, MB/s.
    #[arg(long, value_name = "MBPS", allow_hyphen_values = true, value_parser = RateArg::read)]
    pub(crate) reads: Option<RateArg>,
    /// Its bus: uhs-i, uhs-ii, cfe2-b and others; `list` shows all.
    #[arg(long, value_name = "ID")]
    pub(crate) bus: Option<String>,
    /// Its write class: V30, U3, C10, VPG400.
    #[arg(long, value_name = "CLASS", value_parser = WriteClass::read)]
    pub(crate) class: Option<WriteClass>,
    /// A reader in which it reaches its label.
    ///
    /// One made for it, where its bus alone does not reach the label.
    #[arg(long, value_name = "READER")]
    pub(crate) reader: Vec<String>,
    /// Where it is now, to recognise its volume.
    ///
    /// It is recognised by it until it is formatted.
    #[arg(long, value_name = "CARD")]
    pub(crate) at: Option<Utf8PathBuf>,
    /// Whatever you want to remember.
    #[arg(long, value_name = "TEXT")]
    pub(crate) note: Option<String>,
    /// Change the card of this name; what is not given stays.
    #[arg(long)]
    pub(crate) update: bool,
}

/// `kit add reader`.
#[derive(Clone, Debug, Args)]
pub(crate) struct ReaderArgs {
    /// A name of your own.
    #[arg(value_name = "NAME")]
    pub(crate) name: String,
    /// The fastest card bus of its slot: uhs-i, uhs-ii and others; `list` shows all.
    #[arg(long, value_name = "ID")]
    pub(crate) bus: Option<String>,
    /// Its link to the computer: usb2, usb3-5g, tb3 and others; `list` shows all.
    #[arg(long, value_name = "ID")]
    pub(crate) link: Option<String>,
    /// Whatever you want to remember.
    #[arg(long, value_name = "TEXT")]
    pub(crate) note: Option<String>,
    /// Change the reader of this name; what is not given stays.
    #[arg(long)]
    pub(crate) update: bool,
}

/// `kit add drive`.
#[derive(Clone, Debug, Args)]
pub(crate) struct DriveArgs {
    /// A name of your own.
    #[arg(value_name = "NAME")]
    pub(crate) name: String,
    /// What it takes for as long as one likes, its write cache full, MB/s.
    #[arg(long, value_name = "MBPS", allow_hyphen_values = true, value_parser = RateArg::read)]
    pub(crate) writes: Option<RateArg>,
    /// What it gives for as long as one likes, MB/s.
    #[arg(long, value_name = "MBPS", allow_hyphen_values = true, value_parser = RateArg::read)]
    pub(crate) reads: Option<RateArg>,
    /// Whether it is a hard disk, where the system does not know it or is wrong.
    #[arg(long, value_name = "YES|NO", value_parser = yes_or_no)]
    pub(crate) spins: Option<bool>,
    /// The folder for copies on it, where it is plugged in now.
    ///
    /// It is then recognised by its volume and found by its name.
    #[arg(long, value_name = "DIR")]
    pub(crate) at: Option<Utf8PathBuf>,
    /// Whatever you want to remember.
    #[arg(long, value_name = "TEXT")]
    pub(crate) note: Option<String>,
    /// Change the drive of this name; what is not given stays.
    #[arg(long)]
    pub(crate) update: bool,
}

fn yes_or_no(text: &str) -> Result<bool, WrongValue> {
    match text.to_ascii_lowercase().as_str() {
        "yes" => Ok(true),
        "no" => Ok(false),
        _ => Err(WrongValue::YesOrNo),
    }
}

impl AddCommand {
    /// Returns the bus of the link table that it names.
    ///
    /// # Errors
    /// An id that is no card's bus, or no reader's link, in the words of `plan` and `copy`.
    pub(crate) fn bus(&self) -> Result<Option<&'static LinkRow>, FlagError> {
        let (bus, link) = match self {
            Self::Card(args) => (&args.bus, &None),
            Self::Reader(args) => (&args.bus, &args.link),
            Self::Drive(_) | Self::Place(_) => (&None, &None),
        };
        let named = |flag, id: &Option<String>, is_bus| {
            let id = id.as_deref();
            id.map(|id| row(flag, id, is_bus)).transpose()
        };
        let bus = named("--bus", bus, true)?;
        named("--link", link, false)?;
        Ok(bus)
    }
}
