//! Owns the command line as it is written. Parsing does nothing: it looks at no file.

#![expect(
    clippy::doc_markdown,
    reason = "the doc comments are help texts, read on a terminal"
)]

mod deadline;
pub(crate) mod desk;
pub(crate) mod first;
pub(crate) mod fitting;
mod generation;
mod group;
pub(crate) mod inspect;
pub(crate) mod kit;
pub(crate) mod layout;
mod ledger;
pub(crate) mod list;
pub(crate) mod meant;
pub(crate) mod names;
pub(crate) mod notify;
pub(crate) mod partial;
pub(crate) mod pasted;
pub(crate) mod prove;
pub(crate) mod rate;
pub(crate) mod report;
pub(crate) mod schema;
pub(crate) mod send;
pub(crate) mod shoot;
pub(crate) mod speed;
pub(crate) mod unsaid;
mod version;
pub(crate) mod watch;
pub(crate) mod weigh;

use camino::Utf8PathBuf;
use clap::{ArgAction, Args, Parser, Subcommand, ValueEnum};
use desk::DeskArgs;
use first::OrderArgs;
use generation::GenerationArgs;
use group::{HOW_SURE, OUTPUT, WHAT, WHERE};
use inspect::InspectArgs;
use kit::KitCommand;
pub(crate) use layout::LayoutArg;
pub(crate) use ledger::{DemoArgs, LedgerArgs};
pub(crate) use names::KitNames;
pub(crate) use notify::NotifyArgs;
use prove::ProveArgs;
use rate::RateArgs;
use report::ReportArgs;
use schema::SchemaOf;
use send::{FetchArgs, SendArgs};
use shoot::ShootArgs;
use speed::SpeedArgs;
use unlade::hash_algorithm::Also;
use unlade::kit::usual::COPIES_MAX;
use unlade::record::layout::Level;
use unsaid::Unsaid;
use watch::WatchArgs;
use weigh::WeighCommand;

/// Copies camera cards to two or more drives and proves that nothing is missing.
#[derive(Debug, Parser)]
#[command(
    name = "unlade",
    version,
    long_version = version::facts(),
    about,
    long_about = "Reads a camera card once, writes it to every drive you name, reads every copy \
        back from its drive while the card is still being read, and answers one question: may I \
        format this card?\n\nNothing on the card or on a drive is ever changed; there is no \
        command that formats, deletes or ejects.",
    help_template = "{about-with-newline}{usage-heading} {usage}\nCommands:\n{subcommands}\
        {after-help}",
    disable_help_flag = true,
    after_help = "Begin with: unlade demo. Help: unlade COMMAND -h, or --help for all of it",
    after_long_help = "Begin with:  unlade demo\nEvery day:   unlade (what is plugged in, and the \
        command to type)\nThen:        unlade copy /media/CARD --to /media/DRIVE-A --to \
        /media/DRIVE-B\nHelp:        unlade COMMAND -h, or --help for all of it\n\nExit codes: 0 \
        done and proven; 1 not proven, or differences found; 2 wrong command line; 3 refused \
        before a byte was written; 130 interrupted, run the same command again to go on.",
    max_term_width = 80
)]
pub(crate) struct Cli {
    #[command(subcommand)]
    pub(crate) command: Option<Command>,
    #[command(flatten)]
    pub(crate) common: Common,
}

/// Flags of every command.
#[expect(clippy::struct_excessive_bools, reason = "each is a flag of its own")]
#[derive(Clone, Debug, Args)]
pub(crate) struct Common {
    /// This help; --help says all.
    #[arg(short, long, global = true, action = ArgAction::Help, help_heading = OUTPUT)]
    help: Option<bool>,
    /// One JSON object a line, for scripts.
    ///
    /// The last one is the verdict.
    #[arg(long, global = true, help_heading = OUTPUT)]
    pub(crate) json: bool,
    /// Say the result only.
    #[arg(
        long,
        short,
        global = true,
        conflicts_with = "json",
        hide_short_help = true,
        help_heading = OUTPUT
    )]
    pub(crate) quiet: bool,
    /// Say everything that is known.
    ///
    /// On standard error it says what is decided and how long it takes; UNLADE_LOG filters that.
    #[arg(long, short, global = true, help_heading = OUTPUT)]
    pub(crate) verbose: bool,
    /// Use colour: auto follows the terminal and NO_COLOR.
    #[arg(
        long,
        global = true,
        value_name = "WHEN",
        default_value = "auto",
        hide_short_help = true,
        help_heading = OUTPUT
    )]
    pub(crate) color: Color,
    /// Enter nothing in the ledger, and look nothing up in it.
    #[arg(long, global = true, hide_short_help = true, help_heading = OUTPUT)]
    pub(crate) no_ledger: bool,
    /// Folder for kit and ledger [default: `unlade` in the system's folder for programs' data].
    #[arg(
        long,
        global = true,
        hide_short_help = true,
        help_heading = OUTPUT,
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
    /// No command at all: what is plugged in.
    #[command(skip)]
    Plugged,
    /// Copy cards to two or more drives and check every copy.
    #[command(
        long_about = "Copies each card to every drive in one read. Every file is written under a \
            temporary name, flushed, read back from the drive and compared before it gets its \
            final name. At the end a manifest is written to every drive, and the answer says \
            whether the card may be formatted.\n\nRun the same command again after any stop: what \
            was copied is checked again, the rest is done.\n\nAn offload in the card's place is \
            copied further: each of its files is compared with its manifest \
            while it is read, and what differs is never copied as good. The verdict is about the \
            copies then; the offload itself counts as one of them when all of it was read from a \
            drive of its own and is equal.",
        after_help = "Example:  unlade copy /media/KITES --to /media/SSD-A --to \
            /media/SSD-B\n          unlade copy   (what is plugged in, to the drives of [usual])",
        after_long_help = "Example:  unlade copy /media/KITES --to /media/SSD-A --to \
            /media/SSD-B\n          unlade copy   (what is plugged in, to the drives of \
            [usual])\n          unlade copy /media/SSD-A/20261125-KITES --to /media/SSD-C"
    )]
    Copy(CopyArgs),
    /// Show what copy would do, and write nothing.
    #[command(
        mut_arg("yes", |yes| yes.hide(true)),
        after_help = "Example:  unlade plan /media/KITES --to /media/SSD-A --to /media/SSD-B"
    )]
    Plan(CopyArgs),
    /// The same work on a page in your browser.
    #[command(
        long_about = "Opens a page in your browser, served by this program on this computer and \
            for it alone: what is plugged in, the plan, the copy, the answer; what was done, your \
            kit, and what a faster part saves. The copy is that of `unlade copy`, and goes on \
            when the page is closed. The address holds a key; nobody gets in without it.\n\n\
            Ctrl-C ends it: what is checked is kept, and the next start offers to go on.",
        after_help = "Example:  unlade desk"
    )]
    Desk(DeskArgs),
    /// Copy known cards by themselves, as they are plugged in.
    #[command(
        long_about = "Waits for cards, and copies each that your kit knows, or that one of its \
            rules takes, as soon as it is plugged in: to the drives of its rule, else to the \
            usual ones. Any other card is named and not touched. A drive \
            that is missing is waited for. What was cut short goes on by itself.\n\nPrograms of \
            your own in the folder `hooks` of --home are begun when a card was read (card-read), \
            is proven or not (proven, not-proven), waits for a drive (waiting), and when all \
            announced cards of a shoot are proven (all-seen); none of them changes a verdict.",
        after_help = "Example:  unlade watch\n          unlade watch --explain /media/KITES"
    )]
    Watch(WatchArgs),
    /// May I format this card? From the copies on the drives.
    #[command(
        long_about = "Lists the card and looks for offloads of it in and below the given folders. \
            The card is proven if every file that it holds now is on enough separate drives, was \
            checked there when it was copied, and is as it was then. A sample of the \
            card is read for that, and whatever carries another date, is doubted by a manifest or \
            is another file by the word of a second one. New, changed and missing files, damaged \
            manifests and too few drives are each named. With --reread the card and every copy \
            are read whole.\n\nA folder without any offload, which somebody filled by hand, is \
            read and compared with the card: files by their paths, then by what they hold, so \
            that moved and renamed ones are known. What is missing is listed. Such a folder is \
            one copy, in this answer only.\n\nWith --by-content any card is compared by what it \
            holds: the other slot's card, for instance.",
        after_help = "Example:  unlade prove /media/KITES --on /media/SSD-A --on /media/SSD-B"
    )]
    Prove(ProveArgs),
    /// Past offloads, and which cards of a shoot are proven or not seen.
    #[command(
        long_about = "Shows what the ledger remembers: one line for every copy and every question. \
            With --shoot it shows one shoot: each card that was in a reader and its last verdict, \
            and how many of the announced cards nobody has seen. The ledger is a file of JSON \
            lines that is only ever appended to; no verdict rests on it.\n\nWith --shoot the exit \
            code is 0 when all announced cards were seen and are proven, else 1.",
        after_help = "Example:  unlade ledger --shoot kite-festival"
    )]
    Ledger(LedgerArgs),
    /// Compare offloads, and what others copied, with their lists.
    #[command(
        long_about = "Reads every file of each offload from its drive and compares it with the \
            manifest, today or in five years, wherever the offload is now. Missing, changed and \
            extra files are named as such; what computers leave behind is mentioned and no fault. \
            The list and the page beside the manifest must still say what it says; a manifest that \
            is damaged, hostile or too large is refused. A signature that does not fit is a \
            difference; one that does is shown with the fingerprint of its key. PLACE/NAME is \
            read back from a place elsewhere and compared.\n\nA folder \
            without `_unlade` is checked against the lists of others that are in it: a bag, an \
            ASC media hash list, checksum lists. That says what is in the folder, not which card \
            it came from, so it is never PROVEN. Writes nothing there but \
            with --add-generation.",
        after_help = "Example:  unlade verify /media/SSD-A/20261125-KITES \
            /media/SSD-B/20261125-KITES\n          unlade verify /media/SSD-A\n          \
            unlade verify /media/SSD-A/FROM-EDITOR"
    )]
    Verify(VerifyArgs),
    /// Was it recorded whole? What is on a card or offload.
    #[command(
        long_about = "Reads stills, clips and sound once and looks at their structure: a clip that \
            was never finished, a file that ends too early, long runs of zeros, numbers and files \
            that are missing, odd times. Says what was shot. `copy` does the same while it copies. \
            These are hints, no proof: a file without a hint may still be damaged. Writes \
            nothing.\n\nThe exit code is 0 without a hint, and 1 with hints or files that could \
            not be read.",
        after_help = "Example:  unlade inspect /media/KITES"
    )]
    Inspect(InspectArgs),
    /// Measure how fast a card reads in this reader.
    #[command(
        long_about = "Reads a bounded sample, spread over the whole card, past the computer's \
            memory, and shows the rate over time, the middle and the slowest second, which share \
            of every known link that is and which of them limits, and how long a full card takes. \
            Says when the figure can't be trusted. Writes nothing to the card.\n\nIt works without \
            a kit; with --as and --in it is held against what the kit says of card and reader.",
        after_help = "Example:  unlade rate /media/KITES",
        after_long_help = "Example:  unlade rate /media/KITES --as A1 --in blue"
    )]
    Rate(RateArgs),
    /// Your cards, readers, drives and places (kit.toml).
    #[command(
        long_about = "Keeps what you know of your cards, readers, drives and places in kit.toml, \
            in the folder of --home, so that copy, plan, rate, weigh and send can reckon with it. \
            You may edit the file by hand: comments and order stay when it is edited from here, \
            and an error names line and field.",
        disable_help_subcommand = true,
        after_help = "Example:  unlade kit add card A1 --reads 170 --class V30 --at /media/A1\n\n\
            What `unlade copy` alone does, by hand in kit.toml (`list` says where it is):\n  \
            [usual]\n  to = [\"Attic\", \"Travel\"]    # drives of the kit, or whole paths\n  \
            copies = 2",
        subcommand_required = true,
        arg_required_else_help = true
    )]
    Kit {
        #[command(subcommand)]
        what: KitCommand,
    },
    /// What a card can record, and what a faster part would save.
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
    /// Send offloads to a place elsewhere, and say what it has.
    #[command(
        long_about = "Sends every file of each offload, and its manifest last, to a place \
            elsewhere: a bucket of S3 or its kin, a server by SFTP or WebDAV, or a folder that is \
            mounted from elsewhere. Each file is compared with the manifest while it is sent; what \
            differs is not sent as good. Nothing at the place is overwritten or removed. SENT says \
            that the place accepted everything; FETCHED, with --proof fetched, that everything was \
            read back from there and is equal.\n\nRun the same command again after any stop: what \
            is complete is not sent twice. No secret is written anywhere.",
        after_help = "Example:  unlade send /media/SSD-A/20261125-KITES --to studio\n          \
            unlade send --list studio"
    )]
    Send(SendArgs),
    /// Bring an offload back from a place elsewhere.
    #[command(
        long_about = "Brings an offload, or files of it, from a place elsewhere into a folder on a \
            drive. Its manifest is read first and checked. Every file is compared with it while it \
            comes, made durable under a temporary name, read back from the drive and compared \
            again before it gets its name; the manifest comes last. Nothing that is there is \
            changed. Run the same command again after any stop: what is there is read back and \
            compared, the rest comes.\n\nNames that the drive can't hold and room that is missing \
            are said before the first byte.",
        after_help = "Example:  unlade fetch studio/20261125-KITES --to /media/SSD-C"
    )]
    Fetch(FetchArgs),
    /// Make the page of an offload, a shoot, or a folder of others.
    #[command(
        long_about = "Makes the report page of an offload again from its manifest, byte for byte \
            what the copy made. Where the page is missing it is put in its place; a page that \
            is there is compared and never replaced. In a bag the page that its tag manifest \
            names is put there and no other, as after a change of version. --to makes it anywhere \
            else. --pictures makes a page of the files' thumbnails as well.\n\nA folder of others, \
            with a bag, an ASC media hash list or checksum lists, or the files of --list, is \
            checked as `verify` does, and --to FILE gets the page of that: INTACT or NOT INTACT, \
            what was checked against which list, and what does not fit. Nothing is written into \
            such a folder. The exit code is then 0 where it is intact, and 1 where it is \
            not.\n\nWith --shoot it \
            makes one page for all cards of a shoot: how many are proven, which are not and which \
            nobody has seen, and where the copies are. It is made from this computer's ledger, as \
            shoot-NAME.html in the current folder or where --to says; the manifests on the drives \
            are the proof.",
        after_help = "Example:  unlade report /media/SSD-A/20261125-KITES --to \
            ./kites.html\n          unlade report --shoot kite-festival --to \
            ./festival.html\n          unlade report /media/SSD-A/FROM-EDITOR --to ./checked.html"
    )]
    Report(ReportArgs),
    /// See it at work on a made-up card; needs no set-up.
    #[command(
        long_about = "Makes a small card of its own (a kite festival: stills, raws, clips) and \
            copies it until it is PROVEN: to two disks where temporary folders are on two, else to \
            one. Then it shows two refusals: two folders on one disk are one copy, and a flipped \
            bit is found. Everything is in temporary folders that are removed at the end.",
        after_help = "Example:  unlade demo --keep ./kites"
    )]
    Demo(DemoArgs),
    /// Print a JSON Schema: manifest, events, salvaged file, hooks.
    #[command(
        long_about = "Prints a JSON Schema (draft 2020-12): of _unlade/manifest.json, of one line \
            that copy, plan, prove, verify and watch print with --json, of the list beside a \
            salvaged file (copy --salvage), or of what a hook of watch gets.",
        after_help = "Example:  unlade schema manifest > manifest.schema.json"
    )]
    Schema {
        /// Of what.
        #[arg(value_name = "WHAT")]
        of: SchemaOf,
    },
    /// Print a completion script for a shell.
    #[command(
        long_about = "Prints a script that completes commands, flags and their values. For bash, \
            zsh and fish that is also the names in your kit, your shoots, the cards that are \
            plugged in, and offloads that the ledger knows; the script asks unlade for them, which \
            reads and writes nothing.",
        after_help = "Example:  unlade completions bash > \
            ~/.local/share/bash-completion/completions/unlade"
    )]
    Completions {
        /// The shell.
        shell: clap_complete::Shell,
        /// What a script asks: the words of a command line up to the cursor.
        #[arg(last = true, hide = true)]
        words: Vec<String>,
    },
    /// Write the manual pages into a folder.
    #[command(after_help = "Example:  unlade man ~/.local/share/man/man1")]
    Man {
        /// The folder; it must exist.
        #[arg(value_name = "DIR")]
        dir: Utf8PathBuf,
    },
}

/// Copies that PROVEN needs where nobody says another number.
pub(crate) const COPIES: u64 = 2;

#[expect(clippy::struct_excessive_bools, reason = "each is a flag of its own")]
#[derive(Clone, Debug, Args)]
pub(crate) struct CopyArgs {
    /// The mounted cards, or an offload to copy further.
    ///
    /// Each card gets an offload and an answer of its own; in different readers they are read at
    /// the same time, unless a drive is a hard disk. Several come before --to. An offload is
    /// copied further when its card is long gone [default: the cards that are plugged in].
    #[arg(value_name = "CARD", help_heading = WHAT)]
    pub(crate) cards: Vec<Utf8PathBuf>,
    /// A folder on a drive, or its kit name.
    ///
    /// Give one for each copy [default: the drives of [usual] in the kit].
    #[arg(long, short, value_name = "DRIVE", help_heading = WHERE)]
    pub(crate) to: Vec<Utf8PathBuf>,
    /// Send it to this place afterwards, once it is PROVEN.
    ///
    /// A place of the kit or its address, as `unlade send --to` takes it; may be given several
    /// times. The answer comes first; the card is not needed for it.
    #[arg(long, value_name = "PLACE", help_heading = WHERE, hide_short_help = true)]
    pub(crate) then: Vec<String>,
    /// As [usual.SET] of the kit says, not [usual].
    ///
    /// A set says drives, copies, hashes, shoot and names; what is typed wins.
    #[arg(long, value_name = "SET", help_heading = WHERE)]
    pub(crate) usual: Option<String>,
    /// The offload's folder [default: YYYYMMDD-LABEL].
    ///
    /// It has this name on every drive, braces too. The label is the card's name in the kit where
    /// it has one. `name` in [usual] of the kit is another pattern.
    #[arg(long, short, value_name = "NAME", help_heading = WHERE)]
    pub(crate) name: Option<String>,
    /// written, readback or reread [default: readback].
    ///
    /// How far to prove: written never says PROVEN, reread reads the card a second time.
    #[arg(
        long,
        value_name = "LEVEL",
        default_value = "readback",
        help_heading = HOW_SURE,
        hide_short_help = true,
        hide_possible_values = true,
        hide_default_value = true
    )]
    pub(crate) proof: ProofArg,
    /// Copies on separate drives that PROVEN needs [default: 2].
    #[arg(
        long,
        value_name = "N",
        value_parser = clap::value_parser!(u64).range(1..=COPIES_MAX),
        help_heading = HOW_SURE
    )]
    pub(crate) copies: Option<u64>,
    /// Drives that look like one are separate; the manifest says that you said so.
    #[arg(long, help_heading = HOW_SURE, hide_short_help = true)]
    pub(crate) separate: bool,
    /// Skip what earlier offloads on the drives prove.
    ///
    /// Files that earlier offloads of this very card prove on every drive (same path, size and
    /// date; not read unless --proof reread). The answer covers the whole card.
    #[arg(long, help_heading = WHAT)]
    pub(crate) only_new: bool,
    /// Keep what can be read of a file with unreadable spots.
    ///
    /// It is beside the file's place as `NAME.salvaged.EXT`, with zeros in the spots, and a list of
    /// them as `NAME.salvaged.EXT.json`. It is no copy, and the answer stays NOT PROVEN.
    #[arg(long, help_heading = WHAT, hide_short_help = true)]
    pub(crate) salvage: bool,
    /// Further hashes in the same pass: sha256, md5 and others.
    ///
    /// Set apart by commas: c4, md5, sha1, sha256, sha512, xxh128, xxh3, xxh64. Each but c4 gets
    /// its list in `_unlade`, for other programs to check.
    #[arg(
        long,
        value_name = "HASHES",
        value_delimiter = ',',
        help_heading = HOW_SURE,
        hide_short_help = true
    )]
    pub(crate) also: Vec<Also>,
    /// The form of the offload [default: plain, or as it was begun].
    ///
    /// The card's files in their own folder, or a bag for an archive that asks for one (BagIt 1.0,
    /// RFC 8493; makes SHA-256 too). Its lists are checked from the offload's folder in both.
    #[arg(long, value_name = "LAYOUT", help_heading = WHERE, hide_short_help = true)]
    pub(crate) layout: Option<LayoutArg>,
    /// An ASC media hash list in each offload, `ascmhl`.
    ///
    /// For whoever asks for one (ASC MHL, format 2.0). It has XXH128, or those of --also that it
    /// can have: c4, md5, sha1, xxh128, xxh3, xxh64. Once begun it is gone on with.
    #[arg(long, help_heading = HOW_SURE, hide_short_help = true)]
    pub(crate) mhl: bool,
    /// Sign the manifest with this private key.
    ///
    /// Ed25519 in OpenSSH's form, without a passphrase; `unlade verify` and `ssh-keygen -Y verify`
    /// (namespace unlade-manifest) check it.
    #[arg(long, value_name = "KEY", help_heading = HOW_SURE, hide_short_help = true)]
    pub(crate) sign: Option<Utf8PathBuf>,
    /// Don't ask before copying what was not typed.
    ///
    /// Where cards or drives are not typed, copy asks one question. Without a terminal it copies
    /// nothing then, unless this is given.
    #[arg(long, short, help_heading = OUTPUT, hide_short_help = true)]
    pub(crate) yes: bool,
    /// Name the cameras in manifest and page, as the files do; no serial numbers.
    ///
    /// Pages are shared, so without it no camera is named.
    #[arg(long, help_heading = OUTPUT, hide_short_help = true)]
    pub(crate) camera_names: bool,
    /// Make a page of the small pictures in the files, `_unlade/pictures.html`.
    ///
    /// They are the thumbnails that the camera put into stills, at most 60, spread over the card,
    /// and are read from a copy. They prove nothing.
    #[arg(long, help_heading = OUTPUT, hide_short_help = true)]
    pub(crate) pictures: bool,
    #[command(flatten)]
    pub(crate) notices: NotifyArgs,
    /// Only show what would be done, like plan.
    #[arg(long, help_heading = OUTPUT, hide_short_help = true)]
    pub(crate) dry_run: bool,
    #[command(flatten)]
    pub(crate) order: OrderArgs,
    #[command(flatten)]
    pub(crate) names: KitNames,
    #[command(flatten)]
    pub(crate) speed: SpeedArgs,
    #[command(flatten)]
    pub(crate) set: ShootArgs,
    /// What is put in the place of what was not typed.
    #[arg(skip)]
    pub(crate) unsaid: Unsaid,
}

/// How far to prove.
#[derive(Clone, Copy, PartialEq, Eq, Debug, ValueEnum)]
pub(crate) enum ProofArg {
    /// Flushed to the drive only.
    Written,
    /// Every copy read back from its drive.
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

#[derive(Clone, Debug, Args)]
pub(crate) struct VerifyArgs {
    /// Folders of offloads or of others, or drives.
    ///
    /// An offload holds `_unlade`, and a folder of others a list. On a drive, given as a folder or
    /// by its kit name, they are looked for three folders deep at most. Lists of others in the
    /// folder itself are checked too. PLACE/NAME is an offload at a place elsewhere, which is read
    /// back from there.
    #[arg(required_unless_present = "list", value_name = "OFFLOAD", help_heading = WHAT)]
    pub(crate) offloads: Vec<Utf8PathBuf>,
    /// Check the files of this checksum list.
    #[arg(long, value_name = "FILE", help_heading = WHAT)]
    pub(crate) list: Option<Utf8PathBuf>,
    /// The folder that the paths of --list begin in.
    ///
    /// Without it: OFFLOAD where one is given, else the folder that the list is in.
    #[arg(long, value_name = "DIR", requires = "list", help_heading = WHAT)]
    pub(crate) base: Option<Utf8PathBuf>,
    /// A key of this file must have signed.
    ///
    /// As `ssh-keygen` writes them, one a line; without a signature by one of them the offload is
    /// not intact.
    #[arg(long, value_name = "FILE", help_heading = HOW_SURE)]
    pub(crate) signed_by: Option<Utf8PathBuf>,
    /// At a place: read this share of the files, chosen at random, as 5%.
    ///
    /// The answer says what chance that leaves of a damage going unseen.
    #[arg(
        long,
        value_name = "SHARE",
        conflicts_with = "list",
        hide_short_help = true,
        help_heading = HOW_SURE
    )]
    pub(crate) sample: Option<String>,
    #[command(flatten)]
    pub(crate) generation: GenerationArgs,
    #[command(flatten)]
    pub(crate) notices: NotifyArgs,
}
