#include "ecc/scheme.h"

#include <algorithm>
#include <charconv>
#include <numeric>
#include <tuple>

namespace steadycell::ecc {
namespace {

constexpr std::string_view kSchema = "steadycell-ecc/1";
constexpr std::string_view kCodeNames[] = {"bch", "hamming", "reed_solomon"};  // in the order of CodeKind
constexpr std::size_t kMaxSteps = 256, kMaxRanges = 4096;

std::uint32_t total(const std::vector<Range>& ranges) {
  return std::accumulate(ranges.begin(), ranges.end(), 0u, [](std::uint32_t sum, Range r) { return sum + r.length; });
}

tl::unexpected<Error> bad(const std::string& path, std::string_view what) {
  return failure(ErrorCode::bad_input_file, "ECC scheme: \"{}\" {}", path, what);
}

Result<std::vector<Range>> ranges_from(const json::Array& array, const std::string& path, std::uint32_t raw_page_bytes) {
  std::vector<Range> ranges;
  if (array.size() > kMaxRanges) return bad(path, "has too many ranges");
  for (const json::Value& entry : array) {
    const json::Array* pair = entry.if_array();
    boost::system::error_code code;
    std::uint32_t numbers[2] = {0, 0};
    for (std::size_t i = 0; i < 2 && pair && pair->size() == 2 && !code; ++i) numbers[i] = (*pair)[i].to_number<std::uint32_t>(code);
    if (!pair || pair->size() != 2 || code) return bad(path, "should list pairs [offset, length]");
    if (numbers[1] == 0 || numbers[0] >= raw_page_bytes || numbers[1] > raw_page_bytes - numbers[0])
      return bad(path, fmt::format("has a range [{}, {}] outside the {} bytes of a page and its spare area", numbers[0], numbers[1],
                                   raw_page_bytes));
    ranges.push_back({numbers[0], numbers[1]});
  }
  return ranges;
}

Result<Step> step_from(const json::Value& value, const std::string& path, std::uint32_t raw_page_bytes) {
  json::Reader reader(value, path);
  Step step;
  const auto data = reader.array("data"), code = reader.array("code"), metadata = reader.array_or_null("metadata");
  for (const auto* part : {&data, &code, &metadata})
    if (!*part) return failure(part->error());
  if (const auto done = reader.finish(); !done) return failure(done.error());
  const auto take = [&](const json::Array* array, std::string_view key, std::vector<Range>& into) -> Result<void> {
    if (!array) return {};
    auto ranges = ranges_from(*array, reader.path_of(key), raw_page_bytes);
    if (!ranges) return failure(ranges.error());
    into = std::move(*ranges);
    return {};
  };
  for (const auto& done : {take(*data, "data", step.data), take(*code, "code", step.code), take(*metadata, "metadata", step.metadata)})
    if (!done) return failure(done.error());
  return step;
}

Result<void> check_overlap(const Scheme& scheme) {
  enum : std::uint8_t { kNothing, kMetadata, kOnce };
  std::vector<std::uint8_t> use(scheme.raw_page_bytes(), kNothing);
  for (std::size_t i = 0; i < scheme.steps.size(); ++i) {
    const Step& step = scheme.steps[i];
    for (const auto& [ranges, key, kind] :
         {std::tuple{&step.data, "data", kOnce}, {&step.metadata, "metadata", kMetadata}, {&step.code, "code", kOnce}})
      for (const Range& range : *ranges)
        for (std::uint32_t at = range.offset; at < range.offset + range.length; ++at) {
          if (use[at] != kNothing && (use[at] != kMetadata || kind != kMetadata))
            return bad(fmt::format("steps[{}].{}", i, key), fmt::format("uses byte {} a second time", at));
          use[at] = kind;
        }
  }
  return {};
}

Result<void> check_mask(const Scheme& scheme) {
  const std::uint32_t code = scheme.steps[0].code_bytes();
  if (scheme.mask.empty() || scheme.mask.size() == code) return {};
  return bad("mask", fmt::format("has {} bytes, a step's code {}", scheme.mask.size(), code));
}

// Whether the code of this kind can protect this step.
Result<void> check_step(const Scheme& scheme, const Step& step) {
  const std::uint32_t covered = step.covered_bytes(), code = step.code_bytes();
  if (scheme.code == CodeKind::hamming) {
    if (covered != 256 && covered != 512) return bad("steps", fmt::format("protect {} bytes each, Hamming 256 or 512", covered));
    if (code != kHammingCodeBytes) return bad("steps", fmt::format("have {} code bytes each, Hamming 3", code));
    return {};
  }
  if (scheme.code == CodeKind::reed_solomon) {
    const auto made = ReedSolomonCode::make(scheme.reed_solomon_shape(step));
    if (!made) return failure(Error(made.error()).during("ECC scheme"));
    if (code != made->parity_bytes())
      return bad("steps", fmt::format("have {} code bytes each, this code has {} parity symbols of {} bits in {} bytes", code,
                                      made->parity_symbols(), made->symbol_bits(), made->parity_bytes()));
    return {};
  }
  const auto bch = BchCode::make(scheme.bch_shape(step));
  if (!bch) return failure(Error(bch.error()).during("ECC scheme"));
  if (code != bch->parity_bytes())
    return bad("steps", fmt::format("have {} code bytes each, this code has {} parity bits in {} bytes", code, bch->parity_bits(),
                                    bch->parity_bytes()));
  return {};
}

Result<void> check_sizes(const Scheme& scheme) {
  std::vector<std::uint32_t> seen;  // sizes of which one step is proven possible
  for (std::size_t i = 0; i < scheme.steps.size(); ++i) {
    const Step& step = scheme.steps[i];
    if (step.data_bytes() != scheme.steps[0].data_bytes() || step.code_bytes() != scheme.steps[0].code_bytes())
      return bad(fmt::format("steps[{}]", i), "differs in size from the first step");
    if (std::find(seen.begin(), seen.end(), step.covered_bytes()) != seen.end()) continue;
    if (auto fits = check_step(scheme, step); !fits) return fits;
    seen.push_back(step.covered_bytes());
  }
  return {};
}

template <typename Word>
Result<Word> one_of(json::Reader& reader, std::string_view key, std::string_view otherwise,
                    std::initializer_list<std::pair<std::string_view, Word>> words) {
  const auto text = otherwise.empty() ? reader.text(key) : reader.text_or(key, std::string(otherwise));
  if (!text) return failure(text.error());
  std::string list;
  for (const auto& [word, value] : words) {
    if (*text == word) return value;
    list += (list.empty() ? "" : " or ") + std::string(word);
  }
  return bad(reader.path_of(key), "should be " + list);
}

Result<std::uint32_t> polynomial_from(json::Reader& reader) {
  const auto text = reader.text("polynomial");
  if (!text) return failure(text.error());
  std::uint32_t value = 0;
  const bool prefixed = text->starts_with("0x") || text->starts_with("0X");
  const auto [end, code] = std::from_chars(text->data() + (prefixed ? 2 : 0), text->data() + text->size(), value, 16);
  if (!prefixed || code != std::errc() || end != text->data() + text->size()) return bad("polynomial", "should be hex such as \"0x201b\"");
  return value;
}

// The bits of a symbol are the m of its field, so either key will do.
Result<void> read_reed_solomon(json::Reader& reader, Scheme& scheme) {
  const auto bits = reader.number_or("symbol_bits", 8, 12, 0), m = reader.number_or("m", 8, 12, 0);
  const auto first_root = reader.number("first_root", 0, 4094);
  if (!bits) return failure(bits.error());
  if (!m) return failure(m.error());
  if (!first_root) return failure(first_root.error());
  if (*bits == 0 && *m == 0) return bad("symbol_bits", "is missing");
  if (*bits != 0 && *m != 0 && *bits != *m) return bad("m", fmt::format("is {}, symbol_bits {}: they should be equal", *m, *bits));
  scheme.m = static_cast<unsigned>(std::max(*bits, *m));
  scheme.first_root = static_cast<std::uint32_t>(*first_root);
  return {};
}

json::Array to_json(const std::vector<Range>& ranges) {
  json::Array array;
  for (const Range& range : ranges) array.push_back(json::Array{range.offset, range.length});
  return array;
}

}  // namespace

std::uint32_t Step::data_bytes() const { return total(data); }
std::uint32_t Step::covered_bytes() const { return total(data) + total(metadata); }
std::uint32_t Step::code_bytes() const { return total(code); }

BchShape Scheme::bch_shape(const Step& step) const {
  return {.m = m, .t = t, .polynomial = polynomial, .data_bits = step.covered_bytes() * 8};
}

ReedSolomonShape Scheme::reed_solomon_shape(const Step& step) const {
  return {.symbol_bits = m, .t = t, .polynomial = polynomial, .first_root = first_root, .data_bits = step.covered_bytes() * 8};
}

Result<Scheme> parse_scheme(const json::Value& value) {
  json::Reader reader(value, "");
  const auto schema = reader.text("schema");
  if (!schema) return failure(schema.error());
  if (*schema != kSchema)
    return failure(schema->starts_with("steadycell-ecc/") ? ErrorCode::version_unknown : ErrorCode::bad_input_file,
                   "ECC scheme has schema \"{}\", expected {}", *schema, kSchema);
  Scheme scheme;
  const auto code_name = reader.text("code");
  if (!code_name) return failure(code_name.error());
  const auto* const code = std::find(std::begin(kCodeNames), std::end(kCodeNames), *code_name);
  if (code == std::end(kCodeNames)) return bad("code", "should be bch, hamming or reed_solomon");
  scheme.code = static_cast<CodeKind>(code - std::begin(kCodeNames));

  const auto page = reader.number("page_bytes", 256, 65536), spare = reader.number("spare_bytes", 0, 32768);
  if (!page) return failure(page.error());
  if (!spare) return failure(spare.error());
  scheme.page_bytes = static_cast<std::uint32_t>(*page);
  scheme.spare_bytes = static_cast<std::uint32_t>(*spare);
  if (scheme.code == CodeKind::bch) {
    const auto m = reader.number("m", 5, 15);
    if (!m) return failure(m.error());
    scheme.m = static_cast<unsigned>(*m);
  } else if (scheme.code == CodeKind::reed_solomon) {
    if (const auto read = read_reed_solomon(reader, scheme); !read) return failure(read.error());
  }
  if (scheme.code != CodeKind::hamming) {
    const auto t = reader.number("t", 1, 72);
    const auto polynomial = polynomial_from(reader);
    if (!t) return failure(t.error());
    if (!polynomial) return failure(polynomial.error());
    scheme.t = static_cast<unsigned>(*t);
    scheme.polynomial = *polynomial;
  } else {
    const auto order = one_of<HammingOrder>(
        reader, "order", "", {{"high_line_first", HammingOrder::high_line_first}, {"low_line_first", HammingOrder::low_line_first}});
    if (!order) return failure(order.error());
    scheme.hamming_order = *order;
  }
  const auto bit_order =
      one_of<BitOrder>(reader, "bit_order", "msb_first", {{"msb_first", BitOrder::msb_first}, {"lsb_first", BitOrder::lsb_first}});
  if (!bit_order) return failure(bit_order.error());
  scheme.bit_order = *bit_order;
  const auto place = one_of<MetadataPlace>(reader, "metadata_place", "after_data",
                                           {{"after_data", MetadataPlace::after_data}, {"before_data", MetadataPlace::before_data}});
  if (!place) return failure(place.error());
  scheme.metadata_place = *place;
  const auto erased = one_of<ErasedAs>(reader, "erased", "", {{"codeword", ErasedAs::codeword}, {"all_ff", ErasedAs::all_ff}});
  if (!erased) return failure(erased.error());
  scheme.erased = *erased;

  const json::Value* mask = value.get_object().if_contains("mask");
  if (mask && !mask->is_null()) {
    const auto text = reader.text("mask");
    if (!text) return failure(text.error());
    auto bytes = parse_hex(*text);
    if (!bytes) return bad("mask", "should be hex digits or null");
    scheme.mask = std::move(*bytes);
  } else {
    (void)reader.object_or_null("mask");  // null or absent: known all the same
  }

  const auto steps = reader.array("steps");
  if (!steps) return failure(steps.error());
  if ((*steps)->empty() || (*steps)->size() > kMaxSteps) return bad("steps", fmt::format("should list 1 to {} steps", kMaxSteps));
  for (std::size_t i = 0; i < (*steps)->size(); ++i) {
    auto step = step_from((**steps)[i], fmt::format("steps[{}]", i), scheme.raw_page_bytes());
    if (!step) return failure(step.error());
    scheme.steps.push_back(std::move(*step));
  }
  if (const auto done = reader.finish(); !done) return failure(done.error());
  if (const auto apart = check_overlap(scheme); !apart) return failure(apart.error());
  if (const auto fits = check_sizes(scheme); !fits) return failure(fits.error());
  if (const auto fits = check_mask(scheme); !fits) return failure(fits.error());
  return scheme;
}

Result<Scheme> parse_scheme(std::string_view text) {
  const auto value = json::parse(text);
  if (!value) return failure(Error(value.error()).during("ECC scheme"));
  return parse_scheme(*value);
}

json::Value to_json(const Scheme& scheme) {
  json::Object object{{"schema", kSchema}, {"code", kCodeNames[static_cast<std::size_t>(scheme.code)]}};
  if (scheme.code != CodeKind::hamming) {
    object["m"] = scheme.m;
    object["t"] = scheme.t;
    object["polynomial"] = fmt::format("0x{:x}", scheme.polynomial);
    if (scheme.code == CodeKind::reed_solomon) {
      object["symbol_bits"] = scheme.m;
      object["first_root"] = scheme.first_root;
    }
  } else {
    object["order"] = scheme.hamming_order == HammingOrder::high_line_first ? "high_line_first" : "low_line_first";
  }
  object["bit_order"] = scheme.bit_order == BitOrder::msb_first ? "msb_first" : "lsb_first";
  if (scheme.metadata_place == MetadataPlace::before_data) object["metadata_place"] = "before_data";
  object["page_bytes"] = scheme.page_bytes;
  object["spare_bytes"] = scheme.spare_bytes;
  json::Array steps;
  for (const Step& step : scheme.steps) {
    json::Object entry{{"data", to_json(step.data)}};
    if (!step.metadata.empty()) entry["metadata"] = to_json(step.metadata);
    entry["code"] = to_json(step.code);
    steps.push_back(std::move(entry));
  }
  object["steps"] = std::move(steps);
  object["mask"] = scheme.mask.empty() ? json::Value(nullptr) : json::Value(hex(scheme.mask));
  object["erased"] = scheme.erased == ErasedAs::codeword ? "codeword" : "all_ff";
  return object;
}

std::string pretty(const Scheme& scheme) {
  json::Value value = to_json(scheme);
  json::Object& object = value.get_object();
  std::string out;
  for (const auto& [key, member] : object) {
    out += fmt::format("{}\"{}\": ", out.empty() ? "{\n  " : ",\n  ", std::string_view(key));
    if (key != "steps") {
      out += json::text_of(member);
      continue;
    }
    std::string_view before = "[\n    ";
    for (const json::Value& step : member.get_array()) {
      out += before;
      out += json::text_of(step);
      before = ",\n    ";
    }
    out += "\n  ]";
  }
  return out + "\n}\n";
}

}  // namespace steadycell::ecc
