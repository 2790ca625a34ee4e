//! Owns the command line as it is written. Parsing does nothing: it looks at no file.

#![expect(
    clippy::doc_markdown,
    reason = "the doc comments are help texts, read on a terminal"
)]

mod deadline;
pub(crate) mod kit;
pub(crate) mod meant;
pub(crate) mod pasted;
pub(crate) mod shoot;
pub(crate) mod speed;
mod version;
pub(crate) mod weigh;

use crate::cli::wrong_value::WrongValue;
use camino::Utf8PathBuf;
use clap::{Args, Parser, Subcommand, ValueEnum};
use kit::KitCommand;
use shoot::ShootArgs;
use speed::{BusArg, LinkArg, ReadsArg, SpeedArgs};
use unlade::hash_algorithm::Also;
use unlade::record::layout::{Layout, Level};
use weigh::WeighCommand;

/// Copies camera cards to two or more drives and proves that nothing is missing.
#[derive(Debug, Parser)]
#[command(
    name = "unlade",
    version,
    long_version = version::facts(),
    about,
    long_about = "Reads a camera card once, writes it to every drive you name, reads every copy \
        back from its device while the card is still being read, and answers one question: may I \
        format this card?\n\nNothing on the card or on a drive is ever changed; there is no \
        command that formats, deletes or ejects.",
    after_help = "Begin with:  unlade demo\nThen:        unlade copy /media/CARD --to \
        /media/DRIVE-A --to /media/DRIVE-B\nHelp:        unlade help COMMAND\n\n\
        Exit codes: 0 done and proven; 1 not proven, or differences found; 2 wrong command line; \
        3 refused before a byte was written; 130 interrupted, run the same command again to go on.",
    max_term_width = 80,
    subcommand_required = true,
    arg_required_else_help = true
)]
pub(crate) struct Cli {
    #[command(subcommand)]
    pub(crate) command: Command,
    #[command(flatten)]
    pub(crate) common: Common,
}

/// Flags of every command.
#[expect(clippy::struct_excessive_bools, reason = "each is a flag of its own")]
#[derive(Clone, Debug, Args)]
pub(crate) struct Common {
    /// Print events as one JSON object a line; the last one is the verdict.
    #[arg(long, global = true)]
    pub(crate) json: bool,
    /// Print the result only.
    #[arg(long, short, global = true, conflicts_with = "json")]
    pub(crate) quiet: bool,
    /// Say everything that is known, and on standard error what is decided and how long it takes
    /// (UNLADE_LOG filters that).
    #[arg(long, short, global = true)]
    pub(crate) verbose: bool,
    /// Use colour: auto follows the terminal and NO_COLOR.
    #[arg(long, global = true, value_name = "WHEN", default_value = "auto")]
    pub(crate) color: Color,
    /// Enter nothing in the ledger, and look nothing up in it.
    #[arg(long, global = true)]
    pub(crate) no_ledger: bool,
    /// Folder for kit and ledger [default: `unlade` in the system's folder for programs' data].
    #[arg(
        long,
        global = true,
        value_name = "DIR",
        env = "UNLADE_HOME",
        hide_env_values = true
    )]
    pub(crate) home: Option<Utf8PathBuf>,
}

/// When to use colour.
#[derive(Clone, Copy, PartialEq, Eq, Debug, ValueEnum)]
pub(crate) enum Color {
    /// On a terminal, unless NO_COLOR is set.
    Auto,
    /// Always.
    Always,
    /// Never.
    Never,
}

#[derive(Debug, Subcommand)]
pub(crate) enum Command {
    /// Copy cards to every destination, read all copies back, and give the verdict.
    #[command(
        long_about = "Copies each card to every destination in one read. Every file is written \
            under a temporary name, flushed, read back from the device and compared before it gets \
            its final name. At the end a manifest is written to every destination, and the verdict \
            says whether the card may be formatted.\n\nRun the same command again after any stop: \
            what was proven is read back once more and kept, the rest is done.\n\nAn offload in \
            the card's place is copied further: each of its files is compared with its manifest \
            while it is read, and what differs is never copied as good. The verdict is about the \
            copies then; the offload itself counts as one of them when all of it was read from a \
            device of its own and is equal.",
        after_help = "Example:  unlade copy /media/KITES --to /media/SSD-A --to \
            /media/SSD-B\n          unlade copy /media/SSD-A/20261125-KITES --to /media/SSD-C"
    )]
    Copy(CopyArgs),
    /// Show what copy would do - room, names, files to copy - and write nothing.
    #[command(
        after_help = "Example:  unlade plan /media/KITES --to /media/SSD-A --to /media/SSD-B"
    )]
    Plan(CopyArgs),
    /// Answer "may I format this card?" from the offloads on the drives, without copying.
    #[command(
        long_about = "Lists the card and looks for offloads of it in and below the given folders. \
            The card is proven if every file that it holds now stands on enough independent \
            drives, was read back there when it was copied, and is as it was then. A sample of the \
            card is read for that, and whatever carries another date, is doubted by a manifest or \
            is another file by the word of a second one. New, changed and missing files, damaged \
            records and too few drives are each told. With --reread the card and every copy are \
            read again.\n\nWith --by-content any card is compared by what it holds: the other \
            slot's card, for instance.",
        after_help = "Example:  unlade prove /media/KITES --on /media/SSD-A --on /media/SSD-B"
    )]
    Prove(ProveArgs),
    /// Show past offloads, and which cards of a job are proven, not proven or not seen.
    #[command(
        long_about = "Shows what the ledger remembers: one line for every copy and every question. \
            With --shoot it shows one job: each card that was in a reader and its last verdict, \
            and how many of the announced cards nobody has seen. The ledger is a file of JSON \
            lines that is only ever appended to; no verdict rests on it.\n\nWith --shoot the exit \
            code is 0 when all announced cards were seen and are proven, else 1.",
        after_help = "Example:  unlade ledger --shoot kite-festival"
    )]
    Ledger(LedgerArgs),
    /// Read offloads again from their drives and compare them with their manifests.
    #[command(
        long_about = "Reads every file of each offload again from its device and compares it with \
            the manifest, today or in five years, wherever the offload lies now. Missing, changed \
            and extra files are told apart; what computers leave behind is mentioned and no fault. \
            The list and the page beside the manifest must still say what it says; a manifest that \
            is damaged, hostile or too large is refused. A signature that does not fit is a \
            difference; one that does is told with the fingerprint of its key. Writes nothing.",
        after_help = "Example:  unlade verify /media/SSD-A/20261125-KITES \
            /media/SSD-B/20261125-KITES\n          unlade verify /media/SSD-A"
    )]
    Verify(VerifyArgs),
    /// Measure how fast a card reads in this reader, against what its links allow.
    #[command(
        long_about = "Reads a bounded sample, spread over the whole card, past the computer's \
            memory, and tells the rate over time, the middle and the slowest second, which share \
            of every known link that is and which of them limits, and how long a full card takes. \
            Says when the figure can't be trusted. Writes nothing to the card.\n\nIt works without \
            a kit; with --as and --in it is held against what the kit says of card and reader.",
        after_help = "Example:  unlade rate /media/KITES --as A1 --in blue"
    )]
    Rate(RateArgs),
    /// Show or edit your cards, readers and drives (kit.toml).
    #[command(
        long_about = "Keeps what you know of your cards, readers and drives in kit.toml, in the \
            folder of --home, so that copy, plan, rate and weigh can reckon with it. You may edit \
            the file by hand: comments and order stay when it is edited from here, and an error \
            names line and field.",
        disable_help_subcommand = true,
        after_help = "Example:  unlade kit add card A1 --reads 170 --class V30 --at /media/A1",
        subcommand_required = true,
        arg_required_else_help = true
    )]
    Kit {
        #[command(subcommand)]
        what: KitCommand,
    },
    /// Reckon what a card can record, and what a faster part would save.
    #[command(
        long_about = "Answers questions about cards by plain arithmetic and prints what it \
            assumed. Nothing is measured and nothing is written. Rates and sizes carry their unit: \
            100Mb/s is megabits, 12.5MB/s megabytes; both decimal.",
        disable_help_subcommand = true,
        after_help = "Example:  unlade weigh footage --at 100Mb/s --room 128GB --class V30",
        subcommand_required = true,
        arg_required_else_help = true
    )]
    Weigh {
        #[command(subcommand)]
        question: WeighCommand,
    },
    /// Make the report page of an offload again from its manifest, or one page for a shoot's cards.
    #[command(
        long_about = "Makes the report page of an offload again from its manifest, byte for byte \
            what the copy made. Where the page is missing it is put in its place; a page that \
            stands there is compared and never replaced. In a bag the page that its tag manifest \
            names is put there and no other, as after a change of version. --to makes it anywhere \
            else.\n\nWith --shoot it makes one page for all cards of a job: how many are proven, \
            which are not and which nobody has seen, and where the copies lie. It is made from \
            this computer's ledger, as shoot-NAME.html in the current folder or where --to says; \
            the manifests on the drives are the proof.",
        after_help = "Example:  unlade report /media/SSD-A/20261125-KITES --to \
            ./kites.html\n          unlade report --shoot kite-festival --to ./festival.html"
    )]
    Report(ReportArgs),
    /// Do the whole job on a made-up card in a temporary folder; needs no set-up.
    #[command(
        long_about = "Makes a small card of its own (a kite festival: stills, raws, clips), \
            offloads it to two folders, shows what PROVEN needs, then flips one bit in one copy \
            and lets verify find it. Everything is in a temporary folder that is removed at the \
            end.",
        after_help = "Example:  unlade demo --keep ./kites"
    )]
    Demo(DemoArgs),
    /// Print the JSON Schema of the manifest or of the events of --json.
    #[command(
        long_about = "Prints a JSON Schema (draft 2020-12): of _unlade/manifest.json, or of one \
            line that copy, plan, prove and verify print with --json.",
        after_help = "Example:  unlade schema manifest > manifest.schema.json"
    )]
    Schema {
        /// Of what.
        #[arg(value_name = "WHAT")]
        of: SchemaOf,
    },
    /// Print a completion script for a shell.
    #[command(after_help = "Example:  unlade completions bash > \
            ~/.local/share/bash-completion/completions/unlade")]
    Completions {
        /// The shell.
        shell: clap_complete::Shell,
    },
    /// Write the manual pages into a folder.
    #[command(after_help = "Example:  unlade man ~/.local/share/man/man1")]
    Man {
        /// The folder; it must exist.
        #[arg(value_name = "DIR")]
        dir: Utf8PathBuf,
    },
}

#[derive(Clone, Debug, Args)]
pub(crate) struct CopyArgs {
    /// The mounted cards, each with its own offload and verdict; in different readers they are read
    /// at the same time, unless a destination is a hard disk. Several stand before --to. Or an
    /// offload, to make a further proven copy of it when its card is long gone.
    #[arg(required = true, value_name = "CARD")]
    pub(crate) cards: Vec<Utf8PathBuf>,
    /// A folder on a drive; give one for each copy.
    #[arg(long, short, value_name = "DIR")]
    pub(crate) to: Vec<Utf8PathBuf>,
    /// Name of the offload's folder on every destination [default: YYYYMMDD-LABEL, with the card's
    /// name in the kit as label where it has one].
    #[arg(long, short, value_name = "NAME")]
    pub(crate) name: Option<String>,
    /// How far to prove: written never says PROVEN, reread reads the card a second time.
    #[arg(long, value_name = "LEVEL", default_value = "readback")]
    pub(crate) proof: ProofArg,
    /// Copies on independent devices that PROVEN needs.
    #[arg(
        long,
        value_name = "N",
        default_value_t = 2,
        value_parser = clap::value_parser!(u64).range(1..=16),
    )]
    pub(crate) copies: u64,
    /// You state that drives that the system cannot tell apart are separate devices; the
    /// manifest records it.
    #[arg(long)]
    pub(crate) separate: bool,
    /// Leave the files that earlier offloads of this very card on every destination prove already
    /// (same path, size and date; not read again unless --proof reread). The verdict covers the
    /// whole card.
    #[arg(long)]
    pub(crate) only_new: bool,
    /// Further hashes from the same read, set apart by commas: md5, sha1, sha256, sha512, xxh128,
    /// xxh3, xxh64; each gets its list in `_unlade`, for other programs to check.
    #[arg(long, value_name = "HASHES", value_delimiter = ',')]
    pub(crate) also: Vec<Also>,
    /// How the offload lies on the drives: the card's tree in its own folder, or a bag for an
    /// archive that asks for one (BagIt 1.0, RFC 8493; makes SHA-256 too). Its lists are checked
    /// from the offload's folder in both [default: plain, or as the offload was begun].
    #[arg(long, value_name = "LAYOUT")]
    pub(crate) layout: Option<LayoutArg>,
    /// Sign the manifest with this private Ed25519 key (OpenSSH's form, without a passphrase), for
    /// `unlade verify` and `ssh-keygen -Y verify` (namespace unlade-manifest) to check.
    #[arg(long, value_name = "KEY")]
    pub(crate) sign: Option<Utf8PathBuf>,
    /// Only show what would be done, like plan.
    #[arg(long)]
    pub(crate) dry_run: bool,
    /// Say what will not be done by then: 14m, 1h30m.
    #[arg(long, value_name = "TIME", value_parser = deadline::parse)]
    pub(crate) deadline: Option<std::time::Duration>,
    #[command(flatten)]
    pub(crate) names: KitNames,
    #[command(flatten)]
    pub(crate) speed: SpeedArgs,
    #[command(flatten)]
    pub(crate) set: ShootArgs,
}

#[derive(Clone, Debug, Args)]
pub(crate) struct LedgerArgs {
    /// Entries to show.
    #[arg(long, value_name = "N", default_value_t = 20, conflicts_with = "shoot")]
    pub(crate) last: u64,
    #[command(flatten)]
    pub(crate) set: ShootArgs,
}

/// Where the card's tree lies.
#[derive(Clone, Copy, PartialEq, Eq, Debug, ValueEnum)]
pub(crate) enum LayoutArg {
    /// The card's tree in the offload's own folder.
    Plain,
    /// The card's tree in the folder `data` of a bag.
    Bag,
}

impl From<LayoutArg> for Layout {
    fn from(layout: LayoutArg) -> Self {
        match layout {
            LayoutArg::Plain => Self::Plain,
            LayoutArg::Bag => Self::Bag,
        }
    }
}

/// How far to prove.
#[derive(Clone, Copy, PartialEq, Eq, Debug, ValueEnum)]
pub(crate) enum ProofArg {
    /// Flushed to the drive only.
    Written,
    /// Every copy read back from its device.
    Readback,
    /// As readback, and the card read a second time.
    Reread,
}

impl From<ProofArg> for Level {
    fn from(proof: ProofArg) -> Self {
        match proof {
            ProofArg::Written => Self::Written,
            ProofArg::Readback => Self::ReadBack,
            ProofArg::Reread => Self::Reread,
        }
    }
}

/// Names of the kit.
#[derive(Clone, Debug, Default, Args)]
pub(crate) struct KitNames {
    /// The card's name in the kit; a card is also recognised by its volume.
    #[arg(long = "as", value_name = "CARDNAME")]
    pub(crate) as_card: Option<String>,
    /// The reader's name in the kit.
    #[arg(long = "in", value_name = "READERNAME")]
    pub(crate) in_reader: Option<String>,
}

impl KitNames {
    /// Whether a name has to be looked up.
    pub(crate) fn is_given(&self) -> bool {
        self.as_card.is_some() || self.in_reader.is_some()
    }
}

#[derive(Clone, Debug, Args)]
pub(crate) struct RateArgs {
    /// The mounted card.
    #[arg(value_name = "CARD")]
    pub(crate) card: Utf8PathBuf,
    /// Read for so many seconds at most, 600 at most.
    #[arg(
        long,
        value_name = "N",
        default_value_t = 20,
        value_parser = clap::value_parser!(u64).range(1..=unlade::measure::SECONDS_MAX),
    )]
    pub(crate) seconds: u64,
    /// Read so much at most, 100GB at most.
    #[arg(long, value_name = "SIZE", default_value = "8GB", value_parser = sample_size)]
    pub(crate) bytes: u64,
    #[command(flatten)]
    pub(crate) names: KitNames,
    /// The card's bus, such as uhs-i, uhs-ii or cfe2-b.
    #[arg(long, value_name = "ID")]
    pub(crate) bus: Option<BusArg>,
    /// The read rate on the card's label in MB/s.
    #[arg(long, value_name = "MBPS", allow_hyphen_values = true)]
    pub(crate) reads: Option<ReadsArg>,
    /// The reader's link to the computer, such as usb2, usb3-5g or usb3-10g.
    #[arg(long, value_name = "ID")]
    pub(crate) link: Option<LinkArg>,
}

impl RateArgs {
    /// Returns what it says of card and reader.
    pub(crate) fn speed(&self) -> SpeedArgs {
        SpeedArgs {
            bus: self.bus.clone(),
            reads: self.reads.clone(),
            link: self.link.clone(),
            writes: None,
        }
    }
}

fn sample_size(text: &str) -> Result<u64, WrongValue> {
    match unlade::speed::quantity::size(text)? {
        bytes if bytes <= unlade::measure::BYTES_MAX => Ok(bytes),
        _ => Err(WrongValue::SampleSize),
    }
}

#[derive(Clone, Debug, Args)]
pub(crate) struct ProveArgs {
    /// The mounted card.
    #[arg(value_name = "CARD")]
    pub(crate) card: Utf8PathBuf,
    /// A folder on a drive: an offload, or one that holds offloads (three levels deep at most)
    /// [default: the places that the ledger knows for this card].
    #[arg(long, value_name = "DIR")]
    pub(crate) on: Vec<Utf8PathBuf>,
    /// Copies on independent devices that PROVEN needs.
    #[arg(
        long,
        value_name = "N",
        default_value_t = 2,
        value_parser = clap::value_parser!(u64).range(1..=16),
    )]
    pub(crate) copies: u64,
    /// You state that drives which the system cannot tell apart are separate devices.
    #[arg(long)]
    pub(crate) separate: bool,
    /// Read the card and every copy again.
    #[arg(long)]
    pub(crate) reread: bool,
    /// Compare by content only: read this card and find its files in the offloads, whatever card
    /// they came from.
    #[arg(long)]
    pub(crate) by_content: bool,
    #[command(flatten)]
    pub(crate) set: ShootArgs,
}

#[derive(Clone, Debug, Args)]
pub(crate) struct VerifyArgs {
    /// Folders of offloads (those that hold `_unlade`), or drives: all offloads on them, three
    /// folders deep at most.
    #[arg(required = true, value_name = "OFFLOAD")]
    pub(crate) offloads: Vec<Utf8PathBuf>,
    /// Expect the manifests to be signed by a public key of this file (as `ssh-keygen` writes them,
    /// one a line); without a signature by one of them the offload differs.
    #[arg(long, value_name = "FILE")]
    pub(crate) signed_by: Option<Utf8PathBuf>,
}

#[derive(Clone, Debug, Args)]
pub(crate) struct ReportArgs {
    /// Folder of an offload (the one that holds `_unlade`).
    #[arg(
        value_name = "OFFLOAD",
        required_unless_present = "shoot",
        conflicts_with = "shoot"
    )]
    pub(crate) offload: Option<Utf8PathBuf>,
    /// Make the page as this file instead; it must not exist.
    #[arg(long, value_name = "FILE")]
    pub(crate) to: Option<Utf8PathBuf>,
    #[command(flatten)]
    pub(crate) set: ShootArgs,
}

/// What has a schema.
#[derive(Clone, Copy, PartialEq, Eq, Debug, ValueEnum)]
pub(crate) enum SchemaOf {
    /// The manifest, versions 1 and 2.
    Manifest,
    /// A line of --json.
    Events,
}

#[derive(Clone, Debug, Args)]
pub(crate) struct DemoArgs {
    /// Keep everything in this folder, which must be empty or new.
    #[arg(long, value_name = "DIR")]
    pub(crate) keep: Option<Utf8PathBuf>,
}
