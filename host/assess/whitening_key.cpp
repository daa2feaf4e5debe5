#include "assess/whitening_key.h"

#include <algorithm>
#include <charconv>
#include <cmath>

#include "assess/byte_counts.h"
#include "base/json.h"

namespace steadycell::assess {
namespace {

constexpr std::string_view kSchema = "steadycell-whitening/1";
constexpr std::uint64_t kMostPageBytes = 65536, kMostSpareBytes = 32768, kMostPagesPerBlock = 8192,
                        kMostBlocks = 1 << 20;
constexpr std::size_t kMostRanges = 4096;

tl::unexpected<Error> bad(std::string_view path, std::string_view what) {
  return failure(ErrorCode::bad_input_file, "whitening key: \"{}\" {}", path, what);
}

Result<std::vector<Range>> ranges_from(const json::Array& array, std::uint32_t raw_page_bytes) {
  if (array.empty() || array.size() > kMostRanges)
    return bad("bytes", fmt::format("should list 1 to {} ranges", kMostRanges));
  std::vector<Range> ranges;
  std::uint32_t next = 0;
  for (const json::Value& entry : array) {
    const json::Array* pair = entry.if_array();
    boost::system::error_code code;
    std::uint32_t numbers[2] = {0, 0};
    for (std::size_t i = 0; i < 2 && pair && pair->size() == 2 && !code; ++i)
      numbers[i] = (*pair)[i].to_number<std::uint32_t>(code);
    if (!pair || pair->size() != 2 || code) return bad("bytes", "should list pairs [offset, length]");
    if (numbers[1] == 0 || numbers[0] < next || numbers[0] >= raw_page_bytes ||
        numbers[1] > raw_page_bytes - numbers[0])
      return bad(
          "bytes",
          fmt::format(
              "has a range [{}, {}] that goes back, is empty or leaves the {} bytes of a page and its spare area",
              numbers[0], numbers[1], raw_page_bytes));
    ranges.push_back({numbers[0], numbers[1]});
    next = numbers[0] + numbers[1];
  }
  return ranges;
}

Result<SequenceTable> table_from(const json::Value& value, const WhiteningKey& key) {
  json::Reader reader(value, "table");
  const auto pages = reader.number("pages", 1, key.pages_per_block),
             blocks = reader.number("blocks", 1, kMostBlocks);
  const auto step = reader.number("step", 0, kMostPagesPerBlock);
  const auto sequences = reader.array("sequences");
  for (const auto* number : {&pages, &blocks, &step})
    if (!*number) return failure(number->error());
  if (!sequences) return failure(sequences.error());
  if (const auto done = reader.finish(); !done) return failure(done.error());
  if (*step >= *pages && *step > 0) return bad("table.step", "should be less than \"pages\"");
  if (*step > 0 && *blocks != 1) return bad("table.blocks", "should be 1 where there is a step");
  if (*pages * *blocks != (*sequences)->size())
    return bad("table.sequences",
               fmt::format("has {} entries, pages x blocks are {}", (*sequences)->size(), *pages * *blocks));
  SequenceTable table{.period = {.pages = static_cast<std::uint32_t>(*pages),
                                 .blocks = static_cast<std::uint32_t>(*blocks),
                                 .step = static_cast<std::uint32_t>(*step)},
                      .sequences = {}};
  for (const json::Value& entry : **sequences) {
    Bytes sequence;
    if (!entry.is_null()) {
      const auto* text = entry.if_string();
      auto parsed = text ? parse_hex(std::string_view(*text)) : std::nullopt;
      if (!parsed || parsed->size() != key.covered_bytes())
        return bad(fmt::format("table.sequences[{}]", table.sequences.size()),
                   fmt::format("should be {} bytes in hex, or null", key.covered_bytes()));
      sequence = std::move(*parsed);
    }
    table.sequences.push_back(std::move(sequence));
  }
  return table;
}

Result<Register> register_from(const json::Value& value, const WhiteningKey& key) {
  json::Reader reader(value, "register");
  const auto polynomial = reader.text("polynomial"), order_text = reader.text("bit_order");
  const auto restart = reader.number("restart_bytes", 1, kMostPageBytes + kMostSpareBytes);
  for (const auto* text : {&polynomial, &order_text})
    if (!*text) return failure(text->error());
  if (!restart) return failure(restart.error());
  if (const auto done = reader.finish(); !done) return failure(done.error());
  Register out;
  const auto [end, code] = std::from_chars(polynomial->data() + std::min<std::size_t>(2, polynomial->size()),
                                           polynomial->data() + polynomial->size(), out.feedback.polynomial, 16);
  if (!polynomial->starts_with("0x") || code != std::errc() || end != polynomial->data() + polynomial->size() ||
      out.feedback.length() == 0 || (out.feedback.polynomial & 1) == 0)
    return bad("register.polynomial",
               "should be hex such as \"0xc001\", with the constant term, of degree 1 to 63");
  const auto order = parse_bit_order(*order_text);
  if (!order) return bad("register.bit_order", "should be msb_first or lsb_first");
  if (*restart > key.covered_bytes())
    return bad("register.restart_bytes",
               fmt::format("is more than the {} bytes that are whitened", key.covered_bytes()));
  out.order = *order;
  out.restart_bytes = static_cast<std::uint32_t>(*restart);
  return out;
}

}  // namespace

std::vector<Range> ranges_of(const std::vector<bool>& covered) {
  std::vector<Range> ranges;
  for (std::uint32_t at = 0; at < covered.size(); ++at) {
    if (!covered[at]) continue;
    if (!ranges.empty() && ranges.back().offset + ranges.back().length == at)
      ++ranges.back().length;
    else
      ranges.push_back({at, 1});
  }
  return ranges;
}

std::uint32_t WhiteningKey::covered_bytes() const {
  std::uint32_t sum = 0;
  for (const Range& range : bytes) sum += range.length;
  return sum;
}

Result<WhiteningKey> parse_key(std::string_view text) {
  const auto value = json::parse(text);
  if (!value) return failure(Error(value.error()).during("whitening key"));
  json::Reader reader(*value, "");
  const auto schema = reader.text("schema");
  if (!schema) return failure(Error(schema.error()).during("whitening key"));
  if (*schema != kSchema) {
    if (schema->starts_with("steadycell-whitening/"))
      return failure(ErrorCode::version_unknown, "whitening key: schema {} is newer than this program knows ({})",
                     *schema, kSchema);
    return bad("schema", fmt::format("should be {}", kSchema));
  }
  const auto page = reader.number("page_bytes", 512, kMostPageBytes),
             spare = reader.number("spare_bytes", 0, kMostSpareBytes);
  const auto pages_per_block = reader.number("pages_per_block", 1, kMostPagesPerBlock);
  const auto bytes = reader.array("bytes");
  const auto table = reader.object_or_null("table"), shift_register = reader.object_or_null("register");
  for (const auto* number : {&page, &spare, &pages_per_block})
    if (!*number) return failure(Error(number->error()).during("whitening key"));
  if (!bytes) return failure(Error(bytes.error()).during("whitening key"));
  for (const auto* object : {&table, &shift_register})
    if (!*object) return failure(Error(object->error()).during("whitening key"));
  if (const auto done = reader.finish(); !done) return failure(Error(done.error()).during("whitening key"));
  if ((*table == nullptr) == (*shift_register == nullptr))
    return bad("table", "or \"register\": exactly one of them should be there");

  WhiteningKey key;
  key.page_bytes = static_cast<std::uint32_t>(*page);
  key.spare_bytes = static_cast<std::uint32_t>(*spare);
  key.pages_per_block = static_cast<std::uint32_t>(*pages_per_block);
  auto ranges = ranges_from(**bytes, key.page_bytes + key.spare_bytes);
  if (!ranges) return failure(ranges.error());
  key.bytes = std::move(*ranges);
  if (*table != nullptr) {
    auto made = table_from(**table, key);
    if (!made) return failure(made.error());
    key.whitening = std::move(*made);
  } else {
    const auto made = register_from(**shift_register, key);
    if (!made) return failure(made.error());
    key.whitening = *made;
  }
  return key;
}

std::string to_text(const WhiteningKey& key) {
  std::string out = fmt::format(
      "{{\n  \"schema\": \"{}\",\n  \"page_bytes\": {},\n  \"spare_bytes\": {},\n  \"pages_per_block\": {},\n  "
      "\"bytes\": [",
      kSchema, key.page_bytes, key.spare_bytes, key.pages_per_block);
  for (const Range& range : key.bytes)
    out += fmt::format("{}[{}, {}]", out.back() == '[' ? "" : ", ", range.offset, range.length);
  out += "],\n";
  if (const auto* shift_register = std::get_if<Register>(&key.whitening))
    return out + fmt::format(
                     "  \"register\": {{\"polynomial\": \"0x{:x}\", \"bit_order\": \"{}\", \"restart_bytes\": "
                     "{}}}\n}}\n",
                     shift_register->feedback.polynomial, name_of(shift_register->order),
                     shift_register->restart_bytes);
  const auto& table = std::get<SequenceTable>(key.whitening);
  out += fmt::format("  \"table\": {{\"pages\": {}, \"blocks\": {}, \"step\": {}, \"sequences\": [\n",
                     table.period.pages, table.period.blocks, table.period.step);
  for (std::size_t i = 0; i < table.sequences.size(); ++i) {
    out += table.sequences[i].empty() ? "    null" : "    \"" + hex(table.sequences[i]) + "\"";
    out += i + 1 < table.sequences.size() ? ",\n" : "\n";
  }
  return out + "  ]}\n}\n";
}

Result<void> check_fits(const WhiteningKey& key, const Geometry& geometry) {
  if (key.page_bytes == geometry.page_bytes && key.spare_bytes == geometry.spare_bytes &&
      key.pages_per_block == geometry.pages_per_block)
    return {};
  return failure(ErrorCode::bad_input_file,
                 "the whitening key is for {} pages a block of {} + {} bytes, the image has {} of {} + {}",
                 key.pages_per_block, key.page_bytes, key.spare_bytes, geometry.pages_per_block,
                 geometry.page_bytes, geometry.spare_bytes);
}

Unwhitener::Unwhitener(const WhiteningKey& key)
    : key_(&key), covered_(key.covered_bytes()), sequence_(covered_.size()) {
  const auto* table = std::get_if<SequenceTable>(&key.whitening);
  if (table == nullptr) return;
  votes_.resize(table->sequences.size());
  known_ = static_cast<std::size_t>(std::count_if(table->sequences.begin(), table->sequences.end(),
                                                  [](const Bytes& sequence) { return !sequence.empty(); }));
}

Unwhitened Unwhitener::judge(ByteSpan raw_page, std::uint64_t block, std::uint32_t page_in_block) {
  if (looks_erased(raw_page)) return Unwhitened::erased;
  Unwhitened outcome = Unwhitened::proven;
  std::size_t at = 0;
  for (const Range& range : key_->bytes) {
    std::copy_n(raw_page.begin() + range.offset, range.length, covered_.begin() + static_cast<std::ptrdiff_t>(at));
    at += range.length;
  }
  const auto* table = std::get_if<SequenceTable>(&key_->whitening);
  if (table == nullptr) {
    const std::size_t followed = follow_page(std::get<Register>(key_->whitening), covered_, sequence_);
    if (followed == 0) return Unwhitened::not_caught;
    if (followed < covered_.size()) outcome = Unwhitened::partly;
  } else {
    const Bytes& known = table->sequences[table->period.sequence_of(block, page_in_block)];
    if (known.empty()) return Unwhitened::unknown_sequence;
    std::copy(known.begin(), known.end(), sequence_.begin());
  }
  ByteCounts before, after;
  before.add(covered_);
  for (std::size_t i = 0; i < covered_.size(); ++i)
    covered_[i] = static_cast<std::uint8_t>(covered_[i] ^ sequence_[i]);
  after.add(covered_);
  if (after.entropy() >= before.entropy() + 1) return Unwhitened::plainer;
  if (table != nullptr && after.entropy() + 1 > before.entropy()) return Unwhitened::unproven;
  return outcome;
}

void Unwhitener::learn(ByteSpan raw_page, std::uint64_t block, std::uint32_t page_in_block) {
  const Unwhitened outcome = judge(raw_page, block, page_in_block);
  if (outcome == Unwhitened::erased) return;
  ++learnt_[static_cast<std::size_t>(outcome)];
  const auto* table = std::get_if<SequenceTable>(&key_->whitening);
  if (table == nullptr || outcome == Unwhitened::unknown_sequence) return;
  Votes& votes = votes_[table->period.sequence_of(block, page_in_block)];
  const Votes had = votes;
  ++(outcome == Unwhitened::proven    ? votes.proven
     : outcome == Unwhitened::plainer ? votes.plainer
                                      : votes.unproven);
  const auto change = [](std::size_t& count, bool before, bool now) {
    count = count + (now ? 1 : 0) - (before ? 1 : 0);
  };
  change(met_, had.pages() > 0, true);
  change(spoken_for_, had.speak_for(), votes.speak_for());
  change(settled_, had.settled(), votes.settled());
}

bool Unwhitener::settled() const {
  return std::holds_alternative<SequenceTable>(key_->whitening) ? settled_ == known_ && known_ > 0 : fits();
}

// A page that looks random either way is taken on the word of pages under the same sequence; where these are
// silent, on that of the other sequences: nearly all of them must be right here, and so many silent pages must not
// be a wonder beside theirs.
bool Unwhitener::supported(const Votes& votes) const {
  constexpr double kWonder = 0.01;
  if (votes.speak_for()) return true;
  if (votes.proven > 0 || votes.plainer > 0 || spoken_for_ * 4 < met_ * 3 || !fits()) return false;
  const auto proven = static_cast<double>(learnt_[static_cast<std::size_t>(Unwhitened::proven)]),
             unproven = static_cast<double>(learnt_[static_cast<std::size_t>(Unwhitened::unproven)]);
  return std::pow(unproven / (proven + unproven), static_cast<double>(votes.unproven)) >= kWonder;
}

Unwhitened Unwhitener::apply(MutableByteSpan raw_page, std::uint64_t block, std::uint32_t page_in_block) {
  Unwhitened outcome = judge(raw_page, block, page_in_block);
  if (outcome == Unwhitened::unproven) {
    const auto& period = std::get<SequenceTable>(key_->whitening).period;
    if (supported(votes_[period.sequence_of(block, page_in_block)])) outcome = Unwhitened::assumed;
  }
  if (!taken_off(outcome)) return outcome;
  std::size_t at = 0;
  for (const Range& range : key_->bytes) {
    std::copy_n(covered_.begin() + static_cast<std::ptrdiff_t>(at), range.length, raw_page.begin() + range.offset);
    at += range.length;
  }
  return outcome;
}

std::string_view name_of(Unwhitened what) {
  static constexpr std::string_view kNames[kUnwhitened] = {
      "proven", "partly", "assumed", "erased", "plainer", "unknown_sequence", "not_caught", "unproven"};
  return kNames[static_cast<std::size_t>(what)];
}

}  // namespace steadycell::assess
