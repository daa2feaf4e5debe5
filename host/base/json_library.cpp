// The one place where Boost.JSON itself is compiled.
#include <boost/json/src.hpp>
